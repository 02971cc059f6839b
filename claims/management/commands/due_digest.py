from datetime import date, timedelta

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from claims import digests
from receiving import clock
from receiving.models import Site

SIX = timedelta(hours=6)


class Command(BaseCommand):
    help = "E-mail each clerk and manager what is late, due within 7 days or without a date, once a day."

    def add_arguments(self, parser):
        parser.add_argument("--site", action="append", metavar="CODE", help="this site only; may be given again")
        parser.add_argument("--date", metavar="YYYY-MM-DD", help="the day at the site, if not today")
        parser.add_argument("--dry-run", action="store_true", help="say who would get one, send nothing")

    def handle(self, *, site, date, dry_run, **options):
        day, failed = self.day(date), 0
        for each in self.sites(site):
            for outcome in digests.send(each, at=self.moment(each, day), dry_run=dry_run):
                failed += outcome.what == "failed"
                self.say(each, outcome)
        if failed:
            raise CommandError(f"{failed} could not be sent. Run it again: who got theirs gets no second one.")

    def day(self, text):
        try:
            return date.fromisoformat(text) if text else None
        except ValueError as why:
            raise CommandError(f"--date {text}: write it like 2026-03-02.") from why

    def sites(self, codes):
        chosen = Site.objects.filter(code__in=codes) if codes else Site.objects.all()
        if unknown := set(codes or ()) - {each.code for each in chosen}:
            raise CommandError(f"No site {', '.join(sorted(unknown))}.")
        return chosen.order_by("code")

    def moment(self, site, day):
        """Now, or six hours into another day at the site."""
        return clock.day_bounds(day, site.time_zone)[0] + SIX if day else timezone.now()

    def say(self, site, outcome):
        words = f"{outcome.what} ({outcome.why})" if outcome.why else outcome.what
        self.stdout.write(f"{site.code} {outcome.person.username}: {words}")
