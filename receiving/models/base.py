import uuid

from django.conf import settings
from django.db import models
from django.utils import timezone


class Compact(models.Func):
    """A number as the database compares it: no blanks, dots or dashes, in capitals, in the order of its bytes.

    The ornaments stand in the template and not in parameters, or SQLite would not know its own index again.
    """

    template = "UPPER(REPLACE(REPLACE(REPLACE(%(expressions)s, ' ', ''), '-', ''), '.', ''))"
    output_field = models.TextField()

    def as_postgresql(self, compiler, connection, **context):
        return self.as_sql(compiler, connection, template=f'{self.template} COLLATE "C"', **context)


class Recorded(models.Model):
    """A record that a client may send more than once: its own UUID keeps it one record."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)

    class Meta:
        abstract = True


class Evidence(models.Model):
    """A row that is written once. Database triggers refuse update and delete, to raw SQL too.

    Every concrete subclass must be listed in the triggers migration; `tests/receiving/test_evidence.py` holds that.
    """

    at = models.DateTimeField(default=timezone.now)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        abstract = True
