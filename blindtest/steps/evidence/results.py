"""`results.json` of an evidence bundle: everything that was found, computed from what lies in the bundle and no more.

So anybody can compute it again from the bundle alone, and hold every number of it against what was published.
"""

import csv
import io
import json
import tomllib
from collections.abc import Mapping, Sequence
from datetime import datetime
from hashlib import sha256
from typing import Any

from blindtest.design import canonical
from blindtest.errors import BlindtestError, Fault
from blindtest.session.event import time_text
from blindtest.session.record import Record
from blindtest.steps.analysis import claim_dict
from blindtest.steps.answers.claim import ClaimAnswers
from blindtest.steps.answers.study import Answers
from blindtest.steps.consent import consent_found
from blindtest.steps.controls import ControlsFound
from blindtest.steps.evidence.claim_numbers import (
    counts_of,
    effects_of,
    exact_of,
    exact_test,
    fraction,
    guess_of,
    listeners_of,
    method_of,
    number,
    power_of,
)
from blindtest.steps.evidence.licences import clip_licences
from blindtest.steps.gathering.claim import planned_power
from blindtest.steps.screening import screening_dict, screening_found
from blindtest.steps.withdrawn import counted_against

__all__ = ["FORMAT", "json_text", "results", "study_tables"]

Table = dict[str, Any]

FORMAT = 1
"""Raised when a key of `results.json` is renamed or removed."""
_MEASURES = ("heard_after_lufs", "file_after_lufs", "a_weighted_after_db", "rms_after_db", "true_peak_after_dbtp")
_ASKED = ("id", "phase", "method", "feedback", "spread", "margin", "numbers", "controls", "sequence", "stopping")
"""What of a block says what is asked, and not how often or until when."""


def study_tables(text: bytes, file: str = "study/study.toml") -> Table:
    """Return the tables of a study file as they stand in a bundle.

    Raises
    ------
    BlindtestError
        It is not UTF-8, or not TOML.
    """
    try:
        return tomllib.loads(text.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise BlindtestError(Fault(problem=f"not a study file: {error}", file=file)) from None


def results(
    answers: Answers,
    record: Record,
    *,
    study: Mapping[str, Any],
    match_table: str,
    included: Sequence[str],
    generated_at: datetime,
    invented: bool,
) -> Table:
    """Return what was found, as JSON can hold it.

    Parameters
    ----------
    study : tables of study.toml
    match_table : text of `stimuli/table.csv`; '' where nothing was rendered
    included : SHA-256 of the stimuli whose audio is in the bundle
    invented : whether devices, clips and listeners are (the demonstration)
    """
    loudness = _loudness(match_table)
    entries = record.sittings()
    gone = [entry.number for entry in entries if entry.forgotten is not None]
    seal = answers.seal.record
    return {
        "format": FORMAT,
        "title": str(seal["title"]),
        "generated_at": time_text(generated_at),
        "invented": invented,
        "study_seal": answers.seal.commitment,
        "sealed_at": time_text(answers.seal.created),
        "alpha": answers.alpha,
        "stopping": str(seal.get("stopping", "")),
        "planned": {
            "listeners": int(seal["listeners"]),
            "sittings_per_listener": int(seal["sittings_per_listener"]),
            "trials": {block["id"]: block["trials"] for block in seal["protocol"]["blocks"]},
        },
        "claims": [_claim(one, answers, study, loudness) for one in answers.claims],
        "controls": [_control(one) for one in answers.controls],
        "settings": [one.to_dict() for one in answers.settings],
        "screening": None if (screened := screening_found(record, answers)) is None else screening_dict(screened),
        **({} if (consent := consent_found(record, answers)) is None else {"consent": consent.to_dict()}),
        "register": {
            "sittings": len(entries),
            "finished": sum(entry.state == "finished" for entry in entries),
            "abandoned": sum(entry.state == "abandoned" for entry in entries),
            "open": sum(entry.state == "open" for entry in entries),
            "counted": len(answers.counted),
            "beyond_plan": sum(one.beyond_plan for one in answers.sittings),
            "locked": sum(one.locked and one.entry.state != "open" for one in answers.sittings),
            "under_other_seals": len(entries) - len(answers.sittings),
            "answers": sum(entry.links for entry in entries),
        },
        "withdrawn": {
            "sittings": len(gone),
            "rows": sum(link.row is None for number in gone for link in record.chain(number)),
            "impressions": sum(one.forgotten is not None for one in record.impressions()),
            **({"against": [one.to_dict() for one in against]} if (against := counted_against(answers)) else {}),
        },
        "study_seals": [one.commitment for one in record.seals() if one.kind == "study"],
        "earlier": list(seal.get("earlier", [])),
        "sittings": [
            {
                "number": one.entry.number,
                "listener": one.entry.listener,
                "state": one.entry.state,
                "commitment": one.entry.commitment,
                "head": one.entry.head,
                "planned": None if one.entry.state == "open" else one.counted_planned,
                "answered": None if one.entry.state == "open" else one.counted_answered,
                "beyond_plan": one.beyond_plan,
                "withdrawn": one.entry.forgotten is not None,
            }
            for one in answers.sittings
        ],
        "loudness": [
            {"clip": clip, "matched_by": one["matched_by"], "residuals_db": one["residuals_db"]}
            for clip, one in loudness.items()
        ],
        "audio": _audio(study, seal["stimuli"], included),
    }


def _claim(one: ClaimAnswers, answers: Answers, study: Mapping[str, Any], loudness: Mapping[str, Table]) -> Table:
    record, sealed = one.record, answers.seal.record
    effects = effects_of(one)
    first: Mapping[str, Any] = effects[0] if effects else {}
    methods = method_of(one, sealed["protocol"]["blocks"])
    vanish = planned_power(record, answers).chance_to_vanish if one.rated is not None else None
    counts = counts_of(one, answers.counted)
    # What is not said in words here stands whole in `details`, as `blindtest analyze --json` prints it.
    return {
        "id": record["id"],
        "kind": record["kind"],
        "primary": bool(record["primary"]),
        "device": record["device"],
        "comparator": record["comparator"],
        "direction": record["direction"],
        "quote": record["quote"],
        "impression": record["impression"],
        "margin": record["margin"],
        "word": one.word,
        "why_not": one.why_not,
        "method": ", ".join(methods),
        "scale": first.get("scale"),
        "unit": first.get("unit"),
        "estimate": first.get("estimate"),
        "std_error": first.get("std_error"),
        "interval": first.get("interval"),
        "level": first.get("level"),
        "effects": effects,
        "p_value": one.p_value,
        "adjusted_p_value": one.adjusted_p_value,
        "trials": counts["trials"],
        "listeners": counts["listeners"],
        "planned": counts["planned"],
        "counts": counts,
        "by_listener": listeners_of(one),
        "exact": exact_of(one),
        "power": power_of(one, vanish),
        "comparable": _comparable(one, answers, study, loudness, methods, first.get("scale")),
        "details": claim_dict(one, answers.alpha),
    }


def _comparable(
    one: ClaimAnswers,
    answers: Answers,
    study: Mapping[str, Any],
    loudness: Mapping[str, Table],
    methods: Sequence[str],
    scale: str | None,
) -> Table:
    """Return what another study must share with this one for their results to be put side by side."""
    record, sealed = one.record, answers.seal.record
    rendering = sealed["rendering"]
    own = [block for block in sealed["protocol"]["blocks"] if block["id"] in record["blocks"]]
    asked = [{key: block[key] for key in _ASKED if key in block} for block in own]
    units = {str(unit.get("id")): unit for unit in _tables(study, "unit")}
    playback = rendering["playback"]
    clips = {str(clip.get("id")): clip for clip in _tables(study, "clip")}
    return {
        "kind": record["kind"],
        "direction": record["direction"],
        "method": list(methods),
        "scale": scale,
        "guess": guess_of(methods),
        "margin": record["margin"],
        "alpha": answers.alpha,
        "protocol": sealed["protocol"]["name"],
        "protocol_sha256": _hash(sealed["protocol"]),
        "asked_sha256": _hash(asked),
        "match": rendering["match"],
        "ceiling_dbtp": rendering["ceiling_dbtp"],
        "rate_hz": rendering["rate_hz"],
        "clips": {
            name: {
                # The file alone: which second it starts at stands beside it.
                "sha256": sealed["files"].get(str(clips.get(name, {}).get("file", ""))),
                "in_s": clips.get(name, {}).get("in_s", 0.0),
                "out_s": clips.get(name, {}).get("out_s"),
                "loudness_lufs": loudness.get(name, {}).get("loudness_lufs"),
            }
            for name in record["clips"]
        },
        "playback": {
            "absolute": (playback is not None or "hardware" in sealed) and "panel" not in sealed,
            "over": rendering["over"],
            "unit": playback,
            "rig": units.get(str(playback), {}).get("rig"),
        },
        "devices": {
            name: _device(name, study, units, sealed) for name in (record["device"], record["comparator"]) if name
        },
    }


def _device(
    name: str, study: Mapping[str, Any], units: Mapping[str, Mapping[str, Any]], sealed: Mapping[str, Any]
) -> Table:
    """Return what a condition is made of: its stages, and the unit whose response it applies."""
    condition = next((one for one in _tables(study, "condition") if one.get("id") == name), {})
    stages = [stage for stage in condition.get("stages", []) if isinstance(stage, dict)]
    unit = units.get(next((str(stage["response"]) for stage in stages if "response" in stage), ""), {})
    return {
        "label": sealed["labels"].get(name, name),
        "stages_sha256": _hash(json.loads(json.dumps(stages, default=str))),
        "unit": unit.get("id"),
        "name": unit.get("name"),
        "revision": unit.get("revision"),
        "serial_suffix": unit.get("serial_suffix"),
        "rig": unit.get("rig"),
        "stimuli": {clip: made[name] for clip, made in sealed["stimuli"].items() if name in made},
    }


def _tables(study: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    found = study.get(key, [])
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _hash(value: object) -> str:
    return sha256(canonical(value)).hexdigest()


def _control(one: ControlsFound) -> Table:
    exact = []
    if one.p_value is not None:
        guess = fraction(one.guess_rate)
        exact.append(exact_test("against guessing", one.found, one.answered, guess, "upper", one.p_value))
    return {**one.to_dict(), "exact": exact}


def _loudness(match_table: str) -> dict[str, Table]:
    """Return by clip how far its stimuli lie apart after matching, by every measure (dB, largest less smallest)."""
    by_clip: dict[str, list[Mapping[str, str]]] = {}
    for row in csv.DictReader(io.StringIO(match_table)):
        by_clip.setdefault(str(row["clip"]), []).append(row)
    return {
        clip: {
            "matched_by": rows[0]["matched_by"],
            "loudness_lufs": number(round(sum(float(row[_MEASURES[0]]) for row in rows) / len(rows), 2)),
            "residuals_db": {
                measure.rsplit("_", 1)[0]: number(round(_range([float(row[measure]) for row in rows]), 4))
                for measure in _MEASURES
            },
        }
        for clip, rows in by_clip.items()
    }


def _range(values: Sequence[float]) -> float:
    return max(values) - min(values)


def _audio(study: Mapping[str, Any], stimuli: Mapping[str, Mapping[str, str]], included: Sequence[str]) -> list[Table]:
    there = set(included)
    return [
        {
            "clip": clip,
            "licence": one.licence or None,
            "included": bool(made := stimuli.get(clip, {})) and set(made.values()) <= there,
            "why": one.why_not,
        }
        for clip, one in clip_licences(study).items()
    ]


def json_text(value: object) -> bytes:
    """Return a value as JSON that is the same every time: sorted keys, two blanks, a line feed at the end."""
    return (json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n").encode()
