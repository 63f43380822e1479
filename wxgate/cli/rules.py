"""``wxgate rules``: check, show, compare and begin rules files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate import places, profiles
from wxgate.cli import complete, session
from wxgate.cli.terminal import say
from wxgate.errors import UsageError

if TYPE_CHECKING:
    from wxgate.rulebook import Rulebook

app = typer.Typer(no_args_is_help=True, help="Check, show, compare and begin rules files.")

AircraftOption = Annotated[
    str,
    typer.Option(
        "--aircraft",
        metavar="AIRCRAFT",
        help="Aircraft file or id.",
        autocompletion=complete.aircraft,
    ),
]
PilotOption = Annotated[
    str,
    typer.Option(
        "--pilot", metavar="PILOT", help="Pilot file or id.", autocompletion=complete.pilots
    ),
]
SiteOption = Annotated[
    str | None,
    typer.Option("--site", metavar="SITE", help="Site file or id.", autocompletion=complete.sites),
]
RulesOption = Annotated[
    list[Path] | None,
    typer.Option("--rules", metavar="FILE", help="A rules file to add; may be repeated."),
]


@app.command()
def check(
    files: Annotated[
        list[Path] | None,
        typer.Argument(help="Rules files; without any, all that ship.", show_default=False),
    ] = None,
    alone: Annotated[
        bool, typer.Option("--alone", help="Not together with the rules that ship.")
    ] = False,
    each: Annotated[bool, typer.Option("--each", help="List the proofs of each rule.")] = False,
    coverage: Annotated[
        list[Path] | None,
        typer.Option(
            "--coverage",
            metavar="FILE",
            help="A CF netCDF forecast for --site: list the rules that none of its hours triggers,"
            " whoever flies. May be repeated.",
        ),
    ] = None,
    site: SiteOption = None,
) -> None:
    """Run every proof of rules files; exit code 4 with every fault when one is refused."""
    from wxgate.rulebook.check import check_files, check_lines
    from wxgate.rulebook.proof import Fleet

    shipped = places.shipped("rules")
    fleet = Fleet(*_aircraft())
    if files:
        base = [] if alone else [shipped / "practice"]
        checked = check_files([([*base, *files], files)], fleet)
    else:
        others = [p for p in sorted(shipped.rglob("*.yaml")) if _is_pack(p, shipped)]
        checked = check_files([([shipped / "practice"], [shipped / "practice"]),
                               *(([p], [p]) for p in others)], fleet)  # fmt: skip
    for line in check_lines(checked, each=each):
        say(line)
    if coverage:
        together = [*([] if alone and files else [shipped / "practice"]), *(files or ())]
        _echo_coverage(coverage, together, site)


def _echo_coverage(forecasts: list[Path], rules: list[Path], site: str | None) -> None:
    """What the hours of these forecasts leave untried, for every aircraft and skill that ships."""
    from datetime import UTC, datetime

    from wxgate.coverage import HEIGHTS, added, coverage_lines, every_cast, tally
    from wxgate.netcdf import read_netcdf
    from wxgate.rulebook import load_rulebook

    if site is None:
        raise UsageError("no site was given", remedy="Name the forecasts' place with --site.")
    place = profiles.find(site, "site", session.folders("sites"), profiles.load_site)
    shipped, own = _aircraft()
    rulebook = load_rulebook(rules, aircraft=shipped, own=own)
    casts = every_cast(shipped.values(), HEIGHTS)
    now = datetime.now(UTC)
    found = [tally(read_netcdf(file, now=now), rulebook, place, casts) for file in forecasts]
    for line in coverage_lines(added(found)):
        say(line)


def _is_pack(path: Path, shipped: Path) -> bool:
    """Whether a file below the rules folder is a pack that stands by itself."""
    return path.parent in (shipped, shipped / "law") and path.name != "chances.yaml"


@app.command()
def show(
    aircraft: AircraftOption, pilot: PilotOption, site: SiteOption = None, rules: RulesOption = None
) -> None:
    """Print the limits that hold for one aircraft, pilot and place, and where each came from."""
    from wxgate.rulebook.table import limits_table

    craft = profiles.find(aircraft, "aircraft", session.folders("aircraft"), profiles.load_aircraft)
    who = profiles.find(pilot, "pilot", session.folders("pilots"), profiles.load_pilot)
    place = None
    constants: dict[str, float] = {}
    if site is not None:
        from wxgate.derive.geomagnetic import geomagnetic_latitude

        place = profiles.find(site, "site", session.folders("sites"), profiles.load_site)
        magnetic = geomagnetic_latitude(place.latitude, place.longitude)
        constants["geomagnetic_latitude"] = float(magnetic)
    rulebook = _rulebook(place, who, rules)
    say(
        f"{rulebook.name}, hash {rulebook.hash[:12]}\n"
        f"for {who.id} with {craft.id} {f'at {place.name}' if place else 'anywhere'}\n"
    )
    for line in limits_table(rulebook, skill=who.skill, aircraft=craft, constants=constants):
        say(line)


def _rulebook(
    site: profiles.Site | None, pilot: profiles.Pilot, more: list[Path] | None
) -> Rulebook:
    """The rules in force; without a site there is no law of the place."""
    if site is not None:
        return session.rulebook_for(site, pilot, more)
    from wxgate.rulebook import load_rulebook

    minima = [] if pilot.minima is None else [Path(pilot.minima)]
    paths = [places.shipped("rules") / "practice", *minima, *(more or ())]
    shipped, own = _aircraft()
    return load_rulebook(paths, aircraft=shipped, own=own)


def _aircraft() -> tuple[dict[str, profiles.Aircraft], dict[str, profiles.Aircraft]]:
    """The aircraft that ship, with which proofs are tried, and the user's own."""
    return (
        profiles.known_aircraft([places.shipped("rules") / "aircraft"]),
        profiles.known_aircraft([places.config_folder() / "aircraft"]),
    )


@app.command()
def compare(
    first: Annotated[
        Path,
        typer.Argument(
            metavar="A", help="Rules file or folder; or one that ships, such as practice/wind.yaml."
        ),
    ],
    second: Annotated[
        Path,
        typer.Argument(
            metavar="B", help="Rules file or folder; or one that ships, such as practice/wind.yaml."
        ),
    ],
) -> None:
    """Tell what differs between two rules files or folders, rule by rule."""
    from wxgate.rulebook import load_rulebook
    from wxgate.rulebook.table import differences

    shipped, own = _aircraft()
    a, b = (load_rulebook([_there(p)], aircraft=shipped, own=own) for p in (first, second))
    lines = differences(a, b)
    say("\n".join(lines) if lines else "no difference")


def _there(path: Path) -> Path:
    """A path of the user's, or else below the rules that ship (``practice/wind.yaml``)."""
    ours = places.shipped("rules") / path
    return ours if not path.exists() and ours.exists() else path


@app.command()
def new(
    file: Annotated[Path, typer.Argument(help="The file to write; it must not exist yet.")],
    minima: Annotated[
        bool, typer.Option("--minima", help="Personal minima of a pilot, locked with today's date.")
    ] = False,
) -> None:
    """Write a commented rules file to begin with."""
    name = "starter-minima.yaml" if minima else "starter.yaml"
    text = (places.shipped("rules") / name).read_text(encoding="utf-8")
    if minima:
        from datetime import datetime

        today = datetime.now().astimezone().date()
        text = text.replace("locked: 2026-11-01", f"locked: {today}")
    try:
        with file.open("x", encoding="utf-8") as out:
            out.write(text.replace("THIS-FILE", file.name))
    except FileExistsError as error:
        raise UsageError(
            "the file exists already", where=str(file), remedy="Give another name."
        ) from error
    except OSError as error:
        raise UsageError(
            f"the file cannot be written ({error.strerror})",
            where=str(file),
            remedy="Give a place that can be written to.",
        ) from error
    say(f"wrote {file}; now edit it and run: wxgate rules check {file}")


@app.command()
def quantities() -> None:
    """List what a rule can be about: name, unit, and what it is."""
    from wxgate.quantities import QUANTITIES
    from wxgate.units import written

    width = max(len(name) for name in QUANTITIES)
    for row in sorted(QUANTITIES.values(), key=lambda row: row.name):
        say(f"{row.name:<{width}}  {written(row.shown_units):<8} {row.label}")


@app.command()
def schema() -> None:
    """Print the JSON Schema of a rules file, for editors."""
    import json

    from wxgate.rulebook.schema import schema as make_schema

    say(json.dumps(make_schema(), indent=1))
