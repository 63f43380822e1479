"""What the help of each command shows beside its options: a summary for the list, and examples."""

from __future__ import annotations

#: Short enough for one line of the list of commands.
SUMMARIES = {
    "brief": "Grade the coming hours and name the window to fly in.",
    "page": "Write the brief as one HTML file.",
    "explain": "Lay one hour open: inputs, recipes, rules.",
    "fetch": "Fetch the forecast into a netCDF file.",
    "sources": "List the forecasts, what they cost, and which are asked.",
    "sheet": "Write the lesson sheet for one window.",
    "demo": "Walk through wxgate on an invented forecast.",
    "field": "Hold what you measure on the field against the forecast.",
    "lessons": "Find the best hours for a lesson, or plan several.",
    "replay": "Grade past forecasts, to be verified.",
    "verify": "Hold past verdicts against what was observed.",
    "watch": "Mail what changed; one run, for cron or a timer.",
    "rules": "Check, show, compare and begin rules files.",
    "cache": "Show or prune what is stored, and where your folders are.",
    "journal": "What was said, measured and then done.",
}

_WHO = "field.yaml --aircraft light-249g --pilot novice"
EXAMPLES = {
    "brief": (
        "wxgate brief --demo",
        f"wxgate brief {_WHO} --height '40 m'",
        "wxgate brief --lat 52.05 --lon -1.48 --zone Europe/London \\\n"
        "    --aircraft light-249g --pilot novice",
    ),
    "page": (f"wxgate page {_WHO} --out brief.html",),
    "explain": (f"wxgate explain 14:00 {_WHO}", "wxgate explain 13:00 --demo"),
    "fetch": ("wxgate fetch field.yaml --out forecast.nc",),
    "sources": ("wxgate sources field.yaml", "wxgate sources field.yaml --check"),
    "sheet": (f"wxgate sheet {_WHO} --out day.html",),
    "demo": ("wxgate demo",),
    "field": ("wxgate field 3 5 2", "wxgate field 8kt 12kt 6ft --rain"),
    "lessons": (
        f"wxgate lessons {_WHO} --minutes 20",
        "wxgate lessons my-week.yaml --calendar lessons.ics",
    ),
    "replay": (
        f"wxgate replay {_WHO} \\\n"
        "    --since 2026-09-01T05:00Z --until 2026-09-10T05:00Z --out past.sqlite",
    ),
    "verify": ("wxgate verify --observations station.csv",),
    "watch": (
        "wxgate watch my-watch.yaml --check",
        "wxgate watch my-watch.yaml --dry-run --out mails",
    ),
    "rules": (
        "wxgate rules show --aircraft light-249g --pilot novice",
        "wxgate rules new mine.yaml",
        "wxgate rules check mine.yaml",
    ),
    "cache": ("wxgate cache", "wxgate cache prune --days 3"),
    "journal": (
        "wxgate journal note flown 10:00 10:40 --aircraft light-249g",
        "wxgate journal day 2026-09-15",
        "wxgate journal export --out hours.csv",
    ),
}


def epilog(command: str) -> str:
    """The examples of a command as the last part of its help, each on a line of its own."""
    told = [line for example in EXAMPLES[command] for line in example.split("\n")]
    head = "For example:" if len(EXAMPLES[command]) == 1 else "Examples:"
    # The mark \b tells the help's formatter not to join the lines.
    return "\n".join(("\b", head, *(f"  {line}" for line in told)))
