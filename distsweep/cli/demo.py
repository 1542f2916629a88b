"""``distsweep demo``: the whole job on a simulated loudspeaker."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("demo")
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the session; empty or not there yet. [default: distsweep-demo]",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=1,
    show_default=True,
    help="Seed of the noise.",
)
def command(folder: Path | None, seed: int) -> None:
    """Simulate a session, analyse it like a real one, and write its report. No sound is made."""
    from distsweep.demo import free_folder, run_demo

    folder = folder or free_folder()
    with click.progressbar(length=100, label="demo", show_eta=False) as bar:

        def progress(text: str, share: float) -> None:
            bar.label = text.ljust(26)
            bar.update(round(100 * share) - bar.pos)

        results = run_demo(folder, seed=seed, progress=progress)
    take = results.take("axis")
    loudest = take.rungs[-1]
    click.echo(f"session: {folder}", err=True)
    click.echo(f"axis: {len(take.rungs)} rungs, the loudest {loudest.spl_db:.1f} dB SPL", err=True)
    click.echo(folder / "results" / "report" / "report.html")
