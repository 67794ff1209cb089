"""The cautions: before the first reading on a set with a dangerous supply, and on paper."""

from __future__ import annotations

from bench.conventions import DANGEROUS_V

LINES = [
    "CAUTION. Local codes and licensed practice come first; what follows does not replace them.",
    "- Valve sets carry lethal voltages, also after switch-off: discharge the capacitors and check with a meter.",
    "- Connect analyzer, generator and sensor only by a pick-up loop, or through a capacitor rated for the supply; "
    "never to the plate.",
    "- Couple the angle sensor to the shaft mechanically only, electrically apart from the set's own control.",
    "- Work on an isolated or battery supply, with one hand away from the chassis.",
    "- An oscillating detector radiates: antenna off or a dummy antenna, unless the law where you are allows it.",
    "- Old sets may hold lead, asbestos or leaking capacitors.",
    "- The numbers are an aid to judgement, not a safety assessment.",
]


def needed(supply_v: float | None) -> bool:
    """Whether a set with this supply needs the cautions acknowledged; an unknown supply counts as dangerous."""
    return supply_v is None or supply_v > DANGEROUS_V
