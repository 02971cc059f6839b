from datetime import datetime

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from claims.demo import load
from receiving.demo import scenario
from receiving.demo.load import is_loaded
from receiving.refusals import Refused


class Command(BaseCommand):
    help = "Load the invented demo company and print its logins. Run again, it changes nothing."

    def add_arguments(self, parser):
        parser.add_argument("--small", action="store_true", help="some 50 trailers of 40 cartons instead of a year's")
        parser.add_argument(
            "--now", metavar="ISO", help="the moment the demo is told from, for example 2026-03-02T14:00Z"
        )

    def handle(self, *, small, now, **options):
        moment = self.moment(now)
        if is_loaded():
            self.say("The demo is loaded already; nothing was changed.")
        else:
            self.try_load(moment, small)
        self.print_logins()
        self.print_addresses()

    def moment(self, text):
        if not text:
            return timezone.now()
        try:
            moment = datetime.fromisoformat(text)
        except ValueError as why:
            raise CommandError(f"--now {text}: {why}. Write it like 2026-03-02T14:00Z.") from why
        return moment if moment.utcoffset() is not None else timezone.make_aware(moment)

    def try_load(self, moment, small):
        try:
            load.load(now=moment, small=small, progress=self.say)
        except Refused as why:
            raise CommandError(str(why)) from why

    def say(self, sentence):
        self.stderr.write(sentence)

    def print_logins(self):
        told = scenario.read()
        names = {site["code"]: site["name"] for site in told["sites"]}
        logins = [row for row in told["people"] if row.get("login")]
        width = max(len(row["username"]) for row in logins)
        self.stdout.write(f"Sign in with the password “{told['password']}” as:")
        for row in logins:
            role = "administrator, also of /admin/" if row.get("superuser") else row["role"]
            where = names.get(row["site"], "all sites")
            self.stdout.write(f"  {row['username']:<{width}}  {role}, {where}")

    def print_addresses(self):
        """Behind the address of the server; the paths stay the same wherever it listens."""
        self.stdout.write("As the clerk, open first:")
        for path, words in load.addresses():
            self.stdout.write(f"  {path}  {words}")
