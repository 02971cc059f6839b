"""Files kept under their hash: the same once, another beside it, large ones taken over and not read into memory."""

import os
from pathlib import Path

import pytest
from django.core.files.storage import default_storage

from receiving import files


@pytest.fixture
def name():
    name = f"tests/{os.urandom(8).hex()}"
    yield name
    for each in (name, *(f"tests/{other}" for other in default_storage.listdir("tests")[1])):
        default_storage.delete(each)


def read(name):
    with default_storage.open(name) as file:
        return file.read()


def written(folder, data):
    path = folder / "file"
    path.write_bytes(data)
    return path


def test_a_file_is_taken_over_from_the_workshop(name):
    with files.workshop() as folder:
        path = written(folder, b"large")
        before = path.stat().st_ino
        kept = files.keep_file(name, path)
        assert not path.exists()
    assert (kept, read(kept)) == (name, b"large")
    assert os.stat(default_storage.path(kept)).st_ino == before, "it was copied"


def test_the_workshop_is_gone_afterwards_with_what_is_left_there():
    with files.workshop() as folder:
        written(folder, b"left")
        assert folder.is_relative_to(Path(default_storage.path("")))
    assert not folder.exists()


def test_a_file_from_elsewhere_is_kept_as_well(name, tmp_path):
    assert read(files.keep_file(name, written(tmp_path, b"far away"))) == b"far away"


def test_the_same_bytes_are_kept_once(name, tmp_path):
    assert files.keep(name, b"same") == files.keep_file(name, written(tmp_path, b"same")) == name


@pytest.mark.parametrize("other", [b"cut", b"else"])
def test_other_bytes_under_a_name_that_is_taken_get_another_name(name, tmp_path, other):
    files.keep(name, b"same")
    kept = files.keep_file(name, written(tmp_path, other))
    assert kept != name and read(kept) == other and read(name) == b"same"
