"""The count that must add up. Pure: plain numbers in, one `Squaring` out; a leaf.

Cartons are compared in buckets (a store of a bill, or the whole bill when there is no list):
what was expected, what was counted. The identity, per bill and for the trailer, at every moment:

    received = on the bill + list difference - missing so far - short + over - refused + contradiction
    good     = received - over - hurt

`list difference` is what the load list has beyond the bill (negative: less), `contradiction` is how many pieces were
declared short or refused although they were counted: shown, and no release while it is not zero. With a list that
agrees with the bill and nothing missing this is the rule printed on every sheet:
received = bill - short + over - refused aboard.
"""

from dataclasses import dataclass, fields


@dataclass(frozen=True)
class Bucket:
    expected: int
    counted: int

    @property
    def outstanding(self):
        return max(0, self.expected - self.counted)

    @property
    def surplus(self):
        return max(0, self.counted - self.expected)


@dataclass(frozen=True)
class Squaring:
    """Whole pieces throughout.

    billed -- on the bill; listed -- on the load list (equal to billed where there is none)
    hurt -- listed cartons damaged or rerouted, each once; damaged, rerouted -- the same by kind, overlapping
    """

    billed: int = 0
    listed: int = 0
    received: int = 0
    missing: int = 0
    short: int = 0
    over: int = 0
    refused: int = 0
    contradiction: int = 0
    damaged: int = 0
    rerouted: int = 0
    hurt: int = 0

    @property
    def difference(self):
        return self.listed - self.billed

    @property
    def good(self):
        return self.received - self.over - self.hurt

    @property
    def adds_up(self):
        return self.received == (
            self.billed + self.difference - self.missing - self.short + self.over - self.refused + self.contradiction
        )

    @property
    def is_clean(self):
        """Nothing to write on anybody's receipt."""
        return not (self.missing or self.short or self.over or self.refused or self.hurt or self.contradiction)

    def __add__(self, other):
        return Squaring(**{f.name: getattr(self, f.name) + getattr(other, f.name) for f in fields(self)})


def square(*, billed, buckets, has_list=True, over=0, short=0, refused=0, damaged=0, rerouted=0, hurt=0):
    """One bill's squaring.

    billed -- cartons on the bill
    buckets -- Buckets that cover the list, or one Bucket(billed, counted) without a list
    over -- logged pieces on no list; what buckets have beyond expected is added to it
    short, refused -- declared; both come out of what is outstanding
    """
    buckets = list(buckets)
    outstanding = sum(bucket.outstanding for bucket in buckets)
    return Squaring(
        billed=billed,
        listed=sum(bucket.expected for bucket in buckets) if has_list else billed,
        received=sum(bucket.counted for bucket in buckets) + over,
        missing=max(0, outstanding - short - refused),
        short=short,
        over=over + sum(bucket.surplus for bucket in buckets),
        refused=refused,
        contradiction=max(0, short + refused - outstanding),
        damaged=damaged,
        rerouted=rerouted,
        hurt=hurt,
    )
