"""`ro-crate-metadata.json`: what lies in an evidence bundle, as RO-Crate 1.2 (an open standard) describes it.

Written by the library that its makers keep; nothing is fetched, and no clock is asked.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from blindtest import __version__
from blindtest.steps.evidence.licences import clip_licences
from blindtest.steps.evidence.results import json_text

__all__ = ["CRATE", "VERSION", "crate_text"]

CRATE = "ro-crate-metadata.json"
VERSION = "1.2"
_SPDX = "https://spdx.org/licenses/{}"
_LICENCE = "#licence-of-the-bundle"
_MEDIA = {
    ".cer": "application/pkix-cert", ".crt": "application/pkix-cert", ".csv": "text/csv",
    ".der": "application/pkix-cert",
    ".flac": "audio/flac", ".html": "text/html", ".json": "application/json", ".jsonl": "application/jsonl",
    ".md": "text/markdown", ".pem": "application/x-pem-file", ".png": "image/png", ".py": "text/x-python",
    ".svg": "image/svg+xml", ".toml": "application/toml", ".tsq": "application/timestamp-query",
    ".tsr": "application/timestamp-reply", ".txt": "text/plain", ".wav": "audio/wav",
}  # fmt: skip
_ABOUT = {
    "README.md": "What this is, how to check it, what it proves and what it can't",
    "results.json": "What was found: every claim with its numbers, controls, register, what was withdrawn",
    "results.schema.json": "JSON Schema of results.json",
    "trials.csv": "Every answer, the truth of its trial beside it",
    "trials.schema.json": "Frictionless Table Schema of trials.csv",
    "versions.json": "Versions of everything that computed anything",
    "verify.py": "Verifier that needs nothing but Python's standard library",
    "record/chain.jsonl": "The chain of answers, with salts; null where rows were withdrawn",
    "record/events.jsonl": "What happened in the sittings",
    "record/impressions.jsonl": "Impressions that were put on record",
    "record/overrides.jsonl": "Rules that were set aside, and why",
    "record/panel.jsonl": "What a panel's listeners agreed to and played on",
    "record/seals.jsonl": "What was sealed, with the nonces that open it",
    "record/settings.jsonl": "What is on record of players and loopbacks",
    "record/sittings.jsonl": "The register of all sittings, abandoned ones too",
    "report/report.html": "The report",
    "report/report.md": "The report as a Markdown block",
    "stimuli/fixed.toml": "What the first rendering fixed, so that the stimuli can be rendered again",
    "stimuli/hashes.csv": "SHA-256 of every stimulus",
    "stimuli/table.csv": "Match table: levels of every stimulus before and after matching",
    "study/study.toml": "The study file",
}
_ABOUT_FOLDERS = {
    "anchors/": "Time stamp, or what it is checked by",
    "filters/": "Applied filter",
    "report/": "Figure of the report",
    "stimuli/": "Stimulus",
    "study/": "File that the study read",
}


def crate_text(
    names: Iterable[str], results: Mapping[str, Any], study: Mapping[str, Any], clip_files: Mapping[str, str]
) -> bytes:
    """Return the metadata of a bundle.

    Parameters
    ----------
    names : of all files but this one and SHA256SUMS
    results : as `results.json` holds them
    study : tables of study.toml
    clip_files : clip by the name of a file of its audio in the bundle
    """
    from rocrate.model.contextentity import ContextEntity
    from rocrate.model.softwareapplication import SoftwareApplication
    from rocrate.rocrate import ROCrate

    crate = ROCrate(version=VERSION)
    root = crate.root_dataset
    root["name"] = f"Evidence: {results['title']}"
    root["description"] = (
        "Evidence bundle of a blind listening test: what was sealed before, every answer, what was found, and what is "
        "needed to check it. "
        + ("Devices, clips and listeners are invented. " if results["invented"] else "")
        + "README.md says how."
    )
    root["datePublished"] = results["generated_at"]
    maker = crate.add(SoftwareApplication(crate, "#blindtest", {"name": "blindtest", "softwareVersion": __version__}))
    root["license"] = crate.add(
        ContextEntity(
            crate,
            _LICENCE,
            {
                "@type": "CreativeWork",
                "name": "As whoever publishes the bundle says",
                "description": "Audio stands under the licence stated beside each file; for the rest nothing is stated "
                "here.",
            },
        )
    )
    licences = clip_licences(study)
    for name in sorted(names):
        suffix = name[name.rfind(".") :].lower() if "." in name.rsplit("/", 1)[-1] else ""
        told: dict[str, Any] = {"name": _about(name), "encodingFormat": _MEDIA.get(suffix, "application/octet-stream")}
        entity = crate.add_file(dest_path=name, properties=told)
        if name in clip_files:
            entity["license"] = _licence(crate, licences[clip_files[name]].licence)
    for described, schema in (("trials.csv", "trials.schema.json"), ("results.json", "results.schema.json")):
        entity = crate.get(described)
        if entity is not None:
            entity["conformsTo"] = crate.get(schema)
    run = crate.add(
        ContextEntity(
            crate,
            "#report",
            {
                "@type": "CreateAction",
                "name": "blindtest report",
                "endTime": results["generated_at"],
            },
        )
    )
    run["instrument"] = maker
    run["result"] = crate.get("results.json")
    root["mentions"] = run
    made = crate.metadata.generate()
    made["@graph"] = sorted((_ordered(one) for one in made["@graph"]), key=lambda one: (_rank(one["@id"]), one["@id"]))
    return json_text(made)


def _about(name: str) -> str:
    if name in _ABOUT:
        return _ABOUT[name]
    return next((words for folder, words in _ABOUT_FOLDERS.items() if name.startswith(folder)), name)


def _licence(crate: Any, licence: str) -> Any:
    from rocrate.model.contextentity import ContextEntity

    place = _SPDX.format(licence)
    found = crate.get(place)
    if found is None:
        found = crate.add(
            ContextEntity(crate, place, {"@type": "CreativeWork", "name": licence, "identifier": licence})
        )
    return found


def _ordered(entity: Mapping[str, Any]) -> dict[str, Any]:
    """Return an entity with its lists of references sorted."""
    return {
        key: sorted(value, key=lambda one: one["@id"])
        if isinstance(value, list) and all(isinstance(one, dict) and "@id" in one for one in value)
        else value
        for key, value in entity.items()
    }


def _rank(name: str) -> int:
    return 0 if name == CRATE else 1 if name == "./" else 2
