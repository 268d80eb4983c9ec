"""The commands. Numerical libraries are loaded by the command that needs them, not before.

Exit codes: 0 all done, 1 something failed or was rejected (the rest is still written), 2 wrong
usage.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

import edgeqc
from edgeqc.errors import EdgeqcError, UsageError

_EXISTING = click.Path(exists=True, path_type=Path)
_FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)
_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
_PLACE = click.Path(file_okay=False, path_type=Path)

_out = click.option("--out", type=_PLACE, required=True, help="Folder for the results.")
_protocol = click.option(
    "--protocol", type=_FILE, help="Protocol file (TOML); else the one that comes with edgeqc.")
_sheet = click.option("--sheet", type=_FILE, help="Specimen sheet (CSV or XLSX).")


def _errors_end_the_command(command: Callable[..., int]) -> Callable[..., None]:
    """Turn our own errors into a message and an exit code; any other is a defect and shows."""
    @wraps(command)
    def run(*args: Any, **options: Any) -> None:
        try:
            code = command(*args, **options)
        except EdgeqcError as error:
            click.echo(f"edgeqc: {error}", err=True)
            code = 2 if isinstance(error, UsageError) else 1
        sys.exit(code)

    return run


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(edgeqc.__version__, prog_name="edgeqc")
def main() -> None:
    """Measure laser-cut, scissor-cut and torn zones on SEM pictures of cut lens faces.

    For research and quality control only; not for treatment decisions.
    """


@main.command()
@click.argument("images", nargs=-1, required=True, type=_FILE, metavar="IMAGE...")
@_out
@_sheet
@_protocol
@_errors_end_the_command
def specimen(
    images: tuple[Path, ...], out: Path, sheet: Path | None, protocol: Path | None
) -> int:
    """Examine the pictures of one or a few specimens and write a report for each.

    Pictures that the sheet gives to one specimen are reported together; without a sheet each
    picture is its own specimen, named after its file.
    """
    from edgeqc.few_specimens import examine_few

    def tell(line: str) -> None:
        click.echo(line)

    return examine_few(images, out, sheet=sheet, protocol=protocol, tell=tell)


@main.command()
@click.argument("folder", type=_FOLDER)
@_out
@_sheet
@_protocol
@click.option("--workers", type=click.IntRange(min=0), default=None, metavar="N",
              help="Pictures examined at once; 0 for one a core. The protocol's number by default.")
@click.option("--cluster", metavar="ADDRESS",
              help="Address of a running scheduler, instead of workers on this machine.")
@click.option("--redo", is_flag=True, help="Examine everything anew; else finished work is kept.")
@_errors_end_the_command
def folder(folder: Path, out: Path, **options: Any) -> int:
    """Examine every picture of a folder; stopped at any time, the same command goes on."""
    from edgeqc.folder import examine_folder
    from edgeqc.progress import told_progress

    with told_progress() as report:
        run = examine_folder(folder, out, report=report, **options)
    for name, count in run.counts.items():
        click.echo(f"{name}: {count}")
    click.echo(f"Results are in {out}; start with index.html.")
    return run.exit_code


@main.command()
@click.argument("folder", type=_FOLDER)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), required=True,
              help="Model file to write (JSON).")
@_sheet
@_errors_end_the_command
def teach(folder: Path, out: Path, sheet: Path | None) -> int:
    """Teach the naming of zones the laboratory's own textures.

    FOLDER holds pictures, each with a label raster NAME.zones.png beside it that the laboratory
    drew (0 outside, 1 laser, 2 scissor, 3 torn, 4 obscured).
    """
    from edgeqc.specimen_sheet import read_sheet
    from edgeqc.teach import teach_zones

    rows = [] if sheet is None else list(read_sheet(sheet).rows)
    record = teach_zones(
        folder, out,
        sides={row.image: row.anterior[0] for row in rows if row.anterior},
        specimens={row.image: row.specimen for row in rows},
    )
    click.echo(f"Taught by {record.faces} faces of {record.specimens} specimens.")
    click.echo(f"Agreement with the laboratory's zones: {record.agreement_shipped:.3f} as shipped,"
               f" {record.agreement_taught:.3f} taught (each specimen left out in turn).")
    for name, why in record.left_out.items():
        click.echo(f"Left out: {name}: {why}", err=True)
    return 0


@main.command()
@click.argument("results", nargs=-1, required=True, type=_EXISTING, metavar="RESULTS...")
@_out
@_protocol
@_errors_end_the_command
def settings(results: tuple[Path, ...], out: Path, protocol: Path | None) -> int:
    """Compare laser settings over the results of many specimens.

    RESULTS are folders that edgeqc folder wrote, or their faces.csv.
    """
    from edgeqc.settings import run_settings

    run = run_settings(results, out, protocol=protocol)
    click.echo(run.comparison.answer)
    click.echo(f"{len(run.files)} files are in {run.out}; start with settings.html.")
    return 0


@main.command()
@_out
@click.option("--count", type=click.IntRange(min=1), default=1, show_default=True,
              help="How many pictures.")
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True,
              help="Seed of the random recipes.")
@click.option("--family", metavar="NAME", help="Family of phantoms; any where not given.")
@click.option("--recipe", type=_FILE, help="Recipe (JSON) to draw, instead of random ones.")
@click.option("--check", type=click.IntRange(min=1), metavar="N",
              help="Measure N fresh phantoms and compare them with their truth, instead.")
@click.option("--like", type=_FOLDER, metavar="FOLDER",
              help="With --check: pixel size, noise, tilt and thickness as in these pictures.")
@_sheet
@_protocol
@_errors_end_the_command
def phantom(
    out: Path,
    check: int | None,
    like: Path | None,
    sheet: Path | None,
    protocol: Path | None,
    **options: Any,
) -> int:
    """Draw known-answer pictures: each with its zones, its truth and its recipe beside it."""
    if check is not None:
        from edgeqc.known_answer_report import run_check

        click.echo(run_check(check, out, seed=options["seed"], like=like, sheet=sheet,
                             protocol=protocol))
        return 0
    from edgeqc.phantoms.writing import write_phantoms

    for path in write_phantoms(out, **options):
        click.echo(str(path))
    return 0
