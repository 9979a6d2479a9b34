"""`README.md` of an evidence bundle: what it is, how to check it, what it proves and what it can't."""

from collections.abc import Mapping
from typing import Any

from blindtest.steps.source_state import SOURCE

__all__ = ["readme_text"]

_SITTINGS_SHOWN = 12
_HEAD = """\
# Evidence: {title}

{invented}This folder holds what `blindtest report` published on {date}: what was sealed before anybody listened, every
answer that was given, what was found, and what is needed to check it. It was made with blindtest {version}{source}.

## How to check it

1. **`blindtest verify`** on this folder or on the ZIP of it checks every file, the plans against their seals, the plans
   drawn again from their seeds, the chain of answers, every number of the results computed again, and, where audio is
   here, stimuli rendered again. It says each in a line.
2. **`python -S -I verify.py`** needs nothing but Python's standard library and is short enough to be read whole. It
   checks files, seals, chain, counts and exact p values.
3. **By hand.** `sha256sum -c SHA256SUMS` checks every file. The SHA-256 of `SHA256SUMS` itself is the *bundle hash*:
   if you saw it somewhere else, this is the bundle that was meant. In `record/seals.jsonl` the SHA-256 of `nonce` (32
   bytes, given in hex) followed by the text of `record` is the `commitment`. In `record/chain.jsonl` the SHA-256 of
   `salt` followed by the text of `row` is `row_hash`, and that of the hash before (for the first: the sitting's
   commitment) followed by `row_hash`, 32 bytes each, is `hash`. The last is the sitting's `head` in
   `record/sittings.jsonl`. How a sitting ended was published as the SHA-256 of its `head` (32 bytes) followed by its
   `state`, a blank and `ended` (and ` helper` where the plan's `record` has the key `helper`).

Commitments and heads that were published elsewhere, at the time, are what all this is held against:

| what | SHA-256 |
|---|---|
"""
_TAIL = """
## What it proves, and what it can't

Whatever fits together here was not changed in a part. That it existed *before* the listening is shown only by hashes
seen elsewhere: a commitment before the first answer, a head after the last. What no check can tell: whether the
listener knew the plan otherwise, and whether another record was kept back.

## What was left out

{left_out}

## What lies where

| place | what |
|---|---|
| `study/` | study file, protocol, measurements and whatever else the study read, under the names it gives them |
| `record/` | seals with their nonces, the register of all sittings, the chain of answers, events, impressions |
| `trials.csv`, `trials.schema.json` | every answer with its trial's truth; columns by Frictionless Table Schema |
| `results.json`, `results.schema.json` | every number found; its form by JSON Schema |
| `stimuli/` | match table, SHA-256 of every stimulus (those at a second rate: in the study seal), and the \
audio itself where a licence lets it be passed on |
| `filters/` | what each condition applied: impulse responses (WAV) and level curves (text) |
| `anchors/` | time stamps, where there are any |
| `report/` | the report with its figures |
| `versions.json` | versions of everything that computed anything |
| `ro-crate-metadata.json` | all of this for machines: RO-Crate 1.2 |

Listening at high level damages hearing for good. Who renders or plays anything from here starts low; local rules and
licensed practice come first.
"""


def readme_text(results: Mapping[str, Any], versions: Mapping[str, Any]) -> bytes:
    """Return the text; results : as `results.json` holds them, versions : as `versions.json` does."""
    text = _HEAD.format(
        title=_line(results["title"]),
        date=str(results["generated_at"])[:10],
        version=versions.get("blindtest", "?"),
        source=f" (SHA-256 of its source: `{_line(versions[SOURCE])}`)" if SOURCE in versions else "",
        invented="Devices, clips and listeners are invented: a demonstration.\n\n" if results["invented"] else "",
    )
    rows = [("study seal", results["study_seal"])]
    shown, more = results["sittings"][:_SITTINGS_SHOWN], results["sittings"][_SITTINGS_SHOWN:]
    for one in shown:
        rows.append((f"plan of sitting {one['number']}", one["commitment"]))
        if one["head"] != one["commitment"]:
            rows.append((f"last answer of sitting {one['number']} ({one['state']})", one["head"]))
    text += "".join(f"| {what} | `{hashed}` |\n" for what, hashed in rows)
    if more:
        text += f"\nThose of {_many(len(more), 'further sitting')} stand in `record/sittings.jsonl`.\n"
    return (text + _TAIL.format(left_out="\n".join(_left_out(results)))).encode()


def _left_out(results: Mapping[str, Any]) -> list[str]:
    register, gone = results["register"], results["withdrawn"]
    lines = [
        f"- Withdrawn at their listeners' request: {_many(gone['sittings'], 'sitting')} with "
        f"{_many(gone['rows'], 'row')}, {_many(gone['impressions'], 'impression')}. Row and salt were erased; the link "
        "of each in the chain is here and holds."
    ]
    if register["open"]:
        lines.append(
            f"- {_many(register['open'], 'sitting')} still open: neither nonce nor answers nor events of them are here "
            "before they end."
        )
    if register["locked"]:
        lines.append(
            f"- {_many(register['locked'], 'sitting')} under a helper's passphrase that was not given: neither plan "
            "nor answers can be read."
        )
    kept = [one for one in results["audio"] if not one["included"]]
    for one in kept:
        lines.append(
            f"- Audio of the clip `{_line(one['clip'])}`: {_line(one['why'] or 'not rendered, or not asked for')}."
        )
    lines.append(
        "- Remarks on single trials, and why listeners stopped in their own words, unless the report was made with "
        "them; names, which no record holds."
    )
    return lines


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _line(text: object) -> str:
    """Return text in one line that Markdown leaves alone."""
    return " ".join(str(text).split()).replace("|", "\\|").replace("`", "'").replace("<", "&lt;")
