"""regenbench read: resonance and Q out of saved sweeps, without a session."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from bench.physics.resonance import Resonance

KEYS = {
    "f0_hz": "f0_hz",
    "f0_u_hz": "f0_u_hz",
    "q_loaded": "q_loaded",
    "q_loaded_u": "q_loaded_u",
    "q_unloaded": "q",
    "q_unloaded_u": "q_u",
    "beta": "beta",
    "points_used": "points_used",
}


@click.command("read")
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(files: tuple[str, ...], as_json: bool) -> None:
    """Resonance and Q out of saved sweeps (Touchstone: one-port, or a two-port's S11)."""
    from bench.errors import BenchError
    from drivers.errors import SweepFileError

    entries: list[dict[str, Any]] = []
    failed: list[str] = []
    for file in files:
        try:
            found = _read(file)
        except SweepFileError as problem:
            failed.append(str(problem))
            entries.append({"file": file, "error": str(problem)})
            if len(files) > 1 and not as_json:
                click.echo(str(problem), err=True)
            continue
        entries.append(_entry(file, found))
        if not as_json:
            click.echo(_words(file, found))
    if as_json:
        import json

        click.echo(json.dumps(entries, indent=2, allow_nan=False))
    if failed:
        raise BenchError(
            failed[0]
            if len(files) == 1
            else f"{len(failed)} of {len(files)} files could not be read; the first: {failed[0]}"
        )


def _read(file: str) -> Resonance:
    from bench.physics.resonance import fit_sweep
    from drivers.errors import SweepFileError
    from drivers.touchstone import read_sweep

    f_hz, s11 = read_sweep(file)
    try:
        return fit_sweep(f_hz, s11)
    except ValueError as problem:
        raise SweepFileError(f"{file}: {problem}. Take the sweep again.") from problem


def _entry(file: str, found: Resonance) -> dict[str, Any]:
    return {
        "file": file,
        **{key: getattr(found, name) for key, name in KEYS.items()},
        "warnings": list(found.warnings),
        "others": [{"f0_hz": other.f0_hz, "q_loaded": other.q_loaded} for other in found.others],
    }


def _words(file: str, found: Resonance) -> str:
    """One line with the numbers, one more for each warning and each further resonance."""
    from bench.quantities import show
    from bench.wrapping import COLUMNS

    if found.f0_hz is None or found.q_loaded is None:
        return "\n".join([f"{file}  no numbers", *(f"  {warning}" for warning in found.warnings)])
    head = [file, f"f0 {show(found.f0_hz, 'frequency', uncertainty=found.f0_u_hz)}"]
    if found.q is None:
        head.append(f"Q unknown (loaded Q {_rounded(found.q_loaded, found.q_loaded_u)})")
    else:
        head.append(f"Q {_rounded(found.q, found.q_u)}")
        loaded = f"(loaded {_rounded(found.q_loaded, found.q_loaded_u)}, beta {found.beta:.3f})"
        # The numbers that are wanted stay on one line, whatever the file is called.
        long = len("  ".join([*head, loaded])) >= COLUMNS
        head.append(f"\n  {loaded}" if long else loaded)
    lines = ["  ".join(head).replace("  \n", "\n"), *(f"  {warning}" for warning in found.warnings)]
    for other in found.others:
        lines.append(f"  also {show(other.f0_hz, 'frequency')}, loaded Q {other.q_loaded:.0f}")
    return "\n".join(lines)


def _rounded(value: float, u: float | None) -> str:
    """Value ± uncertainty, the latter to two digits."""
    from math import floor, log10

    if not u or u <= 0:
        return f"{value:.4g}"
    places = min(max(0, 1 - floor(log10(u))), 3)
    return f"{value:.{places}f} ± {u:.{places}f}"
