"""Django's SQLite backend with a fair queue for writers.

SQLite makes a waiting writer sleep longer the longer it has waited, up to a tenth of a second, while newcomers try
again at once: with sixteen phones one of them may wait for seconds. Here every transaction first takes a lock on a file
beside the database, tried at the same short interval by everybody, so that each waiter is as likely as the next.
The lock is the kernel's: a killed process gives it back. Reads outside transactions never touch it.
"""

import fcntl
import os
import time

from django.db.backends.sqlite3 import base
from django.db.utils import OperationalError

EVERY = 0.001


class DatabaseWrapper(base.DatabaseWrapper):
    queue = None

    def get_new_connection(self, conn_params):
        connection = super().get_new_connection(conn_params)
        if self.queue is None and not self.is_in_memory_db():
            self.queue = os.open(f"{self.settings_dict['NAME']}-queue", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        return connection

    def _start_transaction_under_autocommit(self):
        self._enter()
        try:
            super()._start_transaction_under_autocommit()
        except BaseException:
            self._leave()
            raise

    def _commit(self):
        try:
            super()._commit()
        finally:
            self._leave()

    def _rollback(self):
        try:
            super()._rollback()
        finally:
            self._leave()

    def _close(self):
        super()._close()
        if self.queue is not None and not self.is_in_memory_db():
            os.close(self.queue)
            self.queue = None

    def _enter(self):
        if self.queue is None:
            return
        deadline = time.monotonic() + self.settings_dict["OPTIONS"].get("timeout", 5)
        while True:
            try:
                fcntl.flock(self.queue, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return
            except BlockingIOError:
                if time.monotonic() > deadline:
                    raise OperationalError("database is locked") from None
                time.sleep(EVERY)

    def _leave(self):
        if self.queue is not None:
            fcntl.flock(self.queue, fcntl.LOCK_UN)
