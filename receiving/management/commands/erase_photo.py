from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from receiving.erasure import erase_photo
from receiving.models import Person, Photo
from receiving.refusals import Refused


class Command(BaseCommand):
    help = "Remove a photo's files for good, as law or retention demands; its hash and the reason stay in the log."

    def add_arguments(self, parser):
        parser.add_argument("uuid", help="the photo's UUID, as in its address")
        parser.add_argument("--reason", required=True, help="which law, rule or order demands it")
        parser.add_argument("--by", required=True, metavar="USERNAME", help="who answers for it")

    def handle(self, *, uuid, reason, by, **options):
        photo = Photo.objects.filter(uuid=uuid).first()
        person = Person.objects.filter(username=by).first()
        if photo is None:
            raise CommandError(f"There is no photo {uuid}.")
        if person is None:
            raise CommandError(f"There is no person {by}.")
        try:
            stones = erase_photo(photo, reason=reason, actor=person, at=timezone.now())
        except Refused as why:
            raise CommandError(str(why)) from why
        self.stdout.write(f"Erased {len(stones)} photo(s) with SHA-256 {photo.sha256}.")
