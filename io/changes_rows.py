"""What has changed since an earlier run, as rows of words for the page and the guide."""

import html

from flatten.records.outcome import Outcome

CHANGE_HEAD = ("piece", "revision", "what changed")


def change_words(outcome: Outcome) -> str:
    """The sentence above the table; "" where nothing was compared."""
    if outcome.since is None:
        return ""
    count = sum(change.state in ("new", "changed") for change in outcome.changes)
    if count == 0 and all(change.state == "same" for change in outcome.changes):
        return f"Nothing has changed since revision {outcome.since}."
    return (
        f"Since revision {outcome.since}: {count} of {len(outcome.changes)} pieces are to be cut"
        " again; the others are as they were and keep their revision."
    )


def change_rows(outcome: Outcome) -> list[tuple[str, str, str]]:
    """One row for each piece, the changed ones first."""
    order = {"changed": 0, "new": 1, "dropped": 2, "same": 3}
    words = {"new": "new", "dropped": "no longer there", "same": "as it was"}
    return [
        (c.piece, str(c.revision), "; ".join(c.said) or words.get(c.state, "changed"))
        for c in sorted(outcome.changes, key=lambda c: order[c.state])
    ]


def changes_section(outcome: Outcome) -> str:
    """The same as a section of the report."""
    words = change_words(outcome)
    if not words:
        return ""
    head = "".join(f"<th>{html.escape(cell)}</th>" for cell in CHANGE_HEAD)
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>"
        for row in change_rows(outcome)
    )
    return (
        f"<h2>What has changed</h2><p>{html.escape(words)}</p><table><tr>{head}</tr>{body}</table>"
    )
