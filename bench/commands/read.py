"""`regenbench read`: resonance and Q out of saved sweeps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from bench.physics.resonance import Resonance


@click.command("read")
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")
def command(files: tuple[str, ...], as_json: bool) -> None:
    """Resonance and Q out of saved sweeps (Touchstone, one-port or a two-port's S11), without a session."""
    import json

    from bench.errors import SweepFileError
    from bench.physics.resonance import fit_sweep
    from bench.touchstone import read_sweep

    found: list[dict[str, Any]] = []
    failed = ""
    for file in files:
        try:
            f_hz, s11 = read_sweep(file)
        except SweepFileError as problem:
            failed = str(problem)
            found.append({"file": file, "error": failed})
            continue
        found.append(entry(file, fit_sweep(f_hz, s11)))
    if as_json:
        click.echo(json.dumps(found, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        for one in found:
            if "error" not in one:
                click.echo(words(one))
            elif one["error"] != failed:
                click.echo(one["error"], err=True)
    if failed:
        raise SweepFileError(failed)


def entry(file: str, resonance: Resonance) -> dict[str, Any]:
    """One file's object of `read --json` (contract.md)."""
    return {
        "file": file,
        "f0_hz": resonance.f0_hz,
        "f0_u_hz": resonance.f0_u_hz,
        "q_loaded": resonance.q_loaded,
        "q_loaded_u": resonance.q_loaded_u,
        "q_unloaded": resonance.q,
        "q_unloaded_u": resonance.q_u,
        "beta": resonance.beta,
        "points_used": resonance.points_used,
        "warnings": list(resonance.warnings),
        "others": [{"f0_hz": other.f0_hz, "q_loaded": other.q_loaded} for other in resonance.others],
    }


def words(one: dict[str, Any]) -> str:
    """One file's result for people."""
    from bench.quantities import show, show_number

    lines = []
    if one["f0_hz"] is None:
        lines.append(f"{one['file']}: no resonance could be told")
    else:
        f0 = show(one["f0_hz"], "frequency", uncertainty=one["f0_u_hz"])
        line = f"{one['file']}: f0 {f0}"
        if one["q_loaded"] is not None:
            line += f", loaded Q {show_number(one['q_loaded'], one['q_loaded_u'])}"
        if one["q_unloaded"] is not None:
            line += f", unloaded Q {show_number(one['q_unloaded'], one['q_unloaded_u'])}"
        if one["beta"] is not None:
            line += f", coupling {one['beta']:.3g}"
        lines.append(f"{line} ({one['points_used']} points)")
    lines += [f"  {warning}" for warning in one["warnings"]]
    lines += [
        f"  also at {show(other['f0_hz'], 'frequency')}, loaded Q {other['q_loaded']:.0f}"
        for other in one["others"]
    ]
    return "\n".join(lines)
