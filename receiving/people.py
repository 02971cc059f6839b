"""People and what they may do where: the only writer of Person's own choices and of Membership."""

from django.conf import settings

from receiving.models import Person


def set_language(person, language):
    """One of settings.LANGUAGES; anything else changes nothing."""
    if language in dict(settings.LANGUAGES):
        Person.objects.filter(pk=person.pk).update(language=language)
