"""What blades cost per metre, and which are worth buying."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING

from api.answers.service_limits import Use

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class BladeUse:
    """What one blade cost and cut.

    Attributes:
        kind: what blades are compared by, such as the tooth form.
        price_cents: what it cost; None: not known.
        sharpening_cents: what each of its sharpenings cost; None where one is not known.
        services: use of each service that ended.
        current: use of the service that lasts.
        sharpenings_limit: how often it may be sharpened; None: not known.
    """

    kind: str
    price_cents: int | None
    sharpening_cents: Sequence[int | None]
    services: Sequence[Use]
    current: Use
    sharpenings_limit: int | None = None


@dataclass(frozen=True, slots=True)
class Cost:
    """What a blade, or the blades of a kind, cost.

    Attributes:
        blades: how many.
        use: all they cut.
        services: services that ended.
        cuts_per_service: mean over those that ended; None: none did. ``metres_per_service`` likewise.
        spent_cents: prices and sharpenings so far, as far as they are known.
        complete: whether every price is known.
        cents_per_metre: what a metre costs over the blade's life: its price spread over all services that its maker
            allows, and a sharpening for each but the first, over the metres of a service that ended. None where
            something of that is not known.
        spent_per_metre: spent so far over metres so far [cents]; high for a young blade.
    """

    blades: int
    use: Use
    services: int
    cuts_per_service: float | None
    metres_per_service: float | None
    spent_cents: int
    complete: bool
    cents_per_metre: float | None
    spent_per_metre: float | None


def cost(blades: Sequence[BladeUse]) -> Cost:
    """Cost of some blades together; one blade is a case of it."""
    ended = [u for b in blades for u in b.services]
    use = sum((u for b in blades for u in (*b.services, b.current)), Use())
    prices = [b.price_cents for b in blades]
    sharpenings = [p for b in blades for p in b.sharpening_cents]
    known = [p for p in (*prices, *sharpenings) if p is not None]
    metres = fmean(u.metres for u in ended) if ended else None
    per_service = [s for b in blades if (s := _service_cents(b, sharpenings)) is not None]
    whole = len(per_service) == len(blades) and bool(blades)
    return Cost(
        blades=len(blades),
        use=use,
        services=len(ended),
        cuts_per_service=fmean(u.cuts for u in ended) if ended else None,
        metres_per_service=metres,
        spent_cents=sum(known),
        complete=len(known) == len(prices) + len(sharpenings),
        cents_per_metre=fmean(per_service) / metres if whole and metres else None,
        spent_per_metre=sum(known) / use.metres if known and use.metres else None,
    )


def _service_cents(blade: BladeUse, sharpenings: Sequence[int | None]) -> float | None:
    """What one service of a blade costs over its whole life."""
    known = [p for p in sharpenings if p is not None]
    if blade.price_cents is None or blade.sharpenings_limit is None:
        return None
    if blade.sharpenings_limit and not known:
        return None
    services = blade.sharpenings_limit + 1
    return (blade.price_cents + (fmean(known) * blade.sharpenings_limit if known else 0)) / services


def by_kind(blades: Sequence[BladeUse]) -> dict[str, Cost]:
    """Cost by kind, cheapest metre first; kinds without one last."""
    kinds = {k: cost([b for b in blades if b.kind == k]) for k in dict.fromkeys(b.kind for b in blades)}
    cheap = {k: c.cents_per_metre if c.cents_per_metre is not None else float("inf") for k, c in kinds.items()}
    return dict(sorted(kinds.items(), key=lambda item: (cheap[item[0]], item[0])))
