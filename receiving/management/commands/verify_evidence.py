from django.core.management.base import BaseCommand, CommandError

from receiving import evidence
from receiving.models import Site
from receiving.verification import verify, verify_guards


class Command(BaseCommand):
    help = "Re-hash every file and walk every chain; name exactly what does not match."

    def add_arguments(self, parser):
        parser.add_argument("sites", nargs="*", metavar="SITE", help="site codes; all sites if none is given")

    def handle(self, *, sites, **options):
        found = 0
        chosen = Site.objects.filter(code__in=sites) if sites else Site.objects.all()
        if unknown := set(sites) - {site.code for site in chosen}:
            raise CommandError(f"No site {', '.join(sorted(unknown))}.")
        for mismatch in verify_guards():
            self.stdout.write(self.style.ERROR(str(mismatch)))
            found += 1
        for site in chosen.order_by("code"):
            mismatches = 0
            for mismatch in verify(site):
                self.stdout.write(self.style.ERROR(str(mismatch)))
                mismatches += 1
            seq, head = evidence.head(site)
            if not mismatches:
                self.stdout.write(f"{site.code}: {seq} events and all files match. Head {head}")
            found += mismatches
        if found:
            raise CommandError(f"{found} did not match.")
