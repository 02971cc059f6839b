"""The scripts' promises that can be tried without installing anything, and the locks they install from."""

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LOCKS = ["requirements", "requirements-heic", "requirements-test"]
PIN = re.compile(r"^([A-Za-z0-9._-]+)(?:\[[\w,]+\])?==(\S+)", re.MULTILINE)


def pins(path):
    return {name.lower().replace("_", "-"): version for name, version in PIN.findall(path.read_text())}


def run(script, *arguments, **environment):
    return subprocess.run(
        [ROOT / "script" / script, *arguments],
        env={"PATH": "/usr/bin:/bin", **environment},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize("name", LOCKS)
def test_a_lock_holds_every_package_its_source_asks_for(name):
    wanted = pins(ROOT / f"{name}.in")
    assert wanted
    assert wanted.items() <= pins(ROOT / f"{name}.txt").items()


@pytest.mark.parametrize("name", LOCKS)
def test_every_locked_package_has_hashes_and_no_address(name):
    text = (ROOT / f"{name}.txt").read_text()
    packages = re.split(r"^(?=[a-z])", text, flags=re.MULTILINE)[1:]
    assert [package.split()[0] for package in packages if "--hash=sha256:" not in package] == []
    assert "://" not in text
    assert "--index" not in text


def test_two_locks_never_ask_for_two_versions_of_one_package():
    seen = {}
    for name in LOCKS:
        for package, version in pins(ROOT / f"{name}.txt").items():
            assert seen.setdefault(package, version) == version, package


@pytest.mark.parametrize("port", ["eighty", "80 00", "-1", "70000"])
def test_the_demo_refuses_a_port_that_is_none_before_it_does_anything(port, tmp_path):
    done = run("demo", PORT=port, DATA_DIR=str(tmp_path / "data"))
    assert done.returncode == 1
    assert f"PORT={port} is no port number" in done.stderr
    assert done.stdout == ""
    assert not (tmp_path / "data").exists()


def test_setup_refuses_an_option_it_does_not_know():
    done = run("setup", "--tests")
    assert done.returncode == 1
    assert '"--tests" is none' in done.stderr
