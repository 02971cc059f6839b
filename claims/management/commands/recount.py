from django.core.management.base import BaseCommand, CommandError

from claims import months
from receiving.models import Site


class Command(BaseCommand):
    help = "Count the months of carriers from scratch and say whether anything differed from what was kept."

    def add_arguments(self, parser):
        parser.add_argument("--site", action="append", metavar="CODE", help="this site only; may be given again")

    def handle(self, *, site, **options):
        for each in self.sites(site):
            differing = months.recount_all(each)
            self.stdout.write(f"{each.code}: {self.words(differing)}")

    def sites(self, codes):
        chosen = Site.objects.filter(code__in=codes) if codes else Site.objects.all()
        if unknown := set(codes or ()) - {each.code for each in chosen}:
            raise CommandError(f"No site {', '.join(sorted(unknown))}.")
        return chosen.order_by("code")

    def words(self, differing):
        if not any(differing.values()):
            return "counted from scratch, nothing differed."
        told = ", ".join(f"{count:,} {what}" for what, count in differing.items() if count)
        return f"counted from scratch and put right. Rows that differed: {told}."
