"""The one shape of a 'no': a code for scripts, a sentence for people, the field it is about. A leaf."""


class Refused(Exception):
    """Something the record does not allow. `str()` is a sentence with the way out.

    `code` is stable and meant for scripts; `field` names the form field it belongs to, or None.
    """

    status = 422

    def __init__(self, message, *, code, field=None):
        super().__init__(str(message))
        self.message = message
        self.code = code
        self.field = field


class ChangedMeanwhile(Refused):
    """Somebody else was first. Nothing was written; the caller shows what is true now."""

    status = 409

    def __init__(self, message, *, code="changed_meanwhile", field=None):
        super().__init__(message, code=code, field=field)
