"""What can be wrong with a number, and what is worth a second look, each as a sentence with the way out.

`code` is for scripts. `sentence` and `params` are for pages: `gettext(error.sentence).format(**error.params)`.
"""


def gettext_noop(sentence: str) -> str:
    """Only marks a sentence for the message catalogue; makemessages goes by this name."""
    return sentence


class NotValid(ValueError):
    """The number is wrong. `str()` is the sentence in English; never raised itself, only its kinds below."""

    code = "not_valid"
    sentence = gettext_noop("“{value}” is not a valid number. Read it again from the label.")

    def __init__(self, value="", **params):
        self.params = {"value": shown(value)} | params
        super().__init__(self.sentence.format(**self.params))


class Empty(NotValid):
    code = "empty"
    sentence = gettext_noop("Nothing was read. Scan the label again or type it.")


class ControlCharacters(NotValid):
    code = "control_characters"
    sentence = gettext_noop(
        "“{value}” holds characters that cannot be seen (shown as ·). Type the number from the label."
    )


class TooLong(NotValid):
    code = "too_long"
    sentence = gettext_noop(
        "“{value}” has {length} characters; a label has at most {most}. Scan one label at a time or type it."
    )


class Several(NotValid):
    code = "several"
    sentence = gettext_noop("“{value}” holds more than one carton number. Scan one label at a time.")


class WrongLength(NotValid):
    code = "wrong_length"
    sentence = gettext_noop("“{value}” has {digits} digits, not {expected}. Scan again or type it from the label.")


class WrongForm(NotValid):
    code = "wrong_form"
    sentence = gettext_noop("“{value}” is not written as {form}. Read it again and type it.")


class WrongCheckDigit(NotValid):
    code = "wrong_check_digit"
    sentence = gettext_noop(
        "“{value}” was misread somewhere: its last digit should be {expected}. Scan again or type it from the label."
    )


class Caution(str):
    """Worth a second look, never a refusal: the English sentence, with `code`, `sentence` and `params` as above."""

    def __new__(cls, code: str, sentence: str, **params):
        caution = super().__new__(cls, sentence.format(**params))
        caution.code, caution.sentence, caution.params = code, sentence, params
        return caution


def shown(value) -> str:
    """The value as a sentence may quote it: short, and nothing unseen in it."""
    text = "".join(character if character.isprintable() else "·" for character in str(value or ""))
    return text if len(text) <= 40 else f"{text[:39]}…"


def passes(validate, text) -> bool:
    try:
        validate(text)
    except NotValid:
        return False
    return True
