"""The server as `script/demo` starts it, as a process that can be killed and started again at the same address."""

import os
import signal
import socket
import subprocess
import sys
import time
from http.client import HTTPConnection
from pathlib import Path

from django.conf import settings

from bench.server import SERVER, database_url

ROOT = Path(__file__).resolve().parents[2]
PATIENCE = 60


class Server:
    """folder -- the server's DATA_DIR: its files, static files and log; connection -- its database"""

    def __init__(self, connection, folder):
        self.folder = Path(folder)
        self.folder.mkdir(parents=True, exist_ok=True)
        self.log = self.folder / "server.log"
        self.port = free_port()
        self.process = None
        told = {
            "DATABASE_URL": database_url(connection),
            "DATA_DIR": str(folder),
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "ALLOWED_HOSTS": "127.0.0.1,localhost",
            "INSECURE_HTTP": "1",
            "SECRET_KEY": settings.SECRET_KEY,
            "LOG_LEVEL": "ERROR",
        }
        self.env = os.environ | told
        for name in ("DEBUG", "HTTPS_REDIRECT"):
            self.env.pop(name, None)

    def __enter__(self):
        code, said = self.manage("collectstatic", "--noinput", "--verbosity", "0")
        if code:
            raise RuntimeError(f"The static files were not collected:\n{said}")
        self.start()
        return self

    def __exit__(self, *_why):
        self.kill()

    def start(self):
        command = [sys.executable, "-m", "gunicorn", "config.wsgi", "--bind", f"127.0.0.1:{self.port}"]
        with self.log.open("ab") as out:
            self.process = subprocess.Popen(
                [*command, *SERVER.split(), "--log-level", "warning"],
                cwd=ROOT,
                env=self.env,
                stdout=out,
                stderr=out,
                start_new_session=True,
            )
        self.wait()

    def wait(self):
        end = time.monotonic() + PATIENCE
        while self.process.poll() is None and time.monotonic() < end:
            http = HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE)
            try:
                http.request("GET", "/reachable/")
                if http.getresponse().status < 500:
                    return
                break
            except OSError:
                time.sleep(0.05)
            finally:
                http.close()
        self.kill()
        raise RuntimeError(f"The server did not start:\n{self.log.read_text()[-4000:]}")

    def kill(self):
        """All of it at once, as when the power goes."""
        if self.process is None:
            return
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(PATIENCE)
        self.process = None

    def manage(self, *arguments):
        """A management command beside the server: (exit code, what it wrote)."""
        done = subprocess.run(
            [sys.executable, "manage.py", *arguments],
            cwd=ROOT,
            env=self.env,
            capture_output=True,
            text=True,
            timeout=600,
            check=False,
        )
        return done.returncode, done.stdout + done.stderr


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]
