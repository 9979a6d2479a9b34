"""What played each sitting, on record: device, rate, latency, blocks, underruns; or what the browser said of itself.

A run is one start of the program: a sitting that was interrupted has several. What is known at the start is stored at
once, so that a killed program leaves it; blocks and underruns come to it at the end.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from blindtest.session import DevicePlayer
from blindtest.words import ENGLISH, LANGUAGES

if TYPE_CHECKING:
    from blindtest.render import Rendered
    from blindtest.session.record import Record
    from blindtest.session.store import Store

__all__ = [
    "LOOPBACKS",
    "PlaybackRecord",
    "languages_read",
    "loopback_words",
    "playback_words",
    "played_by_device",
    "stimuli_digest",
]

LOOPBACKS = "loopbacks"
"""Key under which results of loopbacks are stored, the latest last."""


def _setting(sitting: int) -> str:
    return f"playback/{sitting}"


class PlaybackRecord:
    """The run in hand of one sitting, in its study's database; nothing where neither page nor device `sounds`."""

    def __init__(self, store: "Store", sitting: int, *, sounds: bool = True) -> None:
        self._store = store
        self._sounds = sounds
        self._key = _setting(sitting)

    def begun(self, device: DevicePlayer | None, at: str, *, language: str = "") -> None:
        """Add a run; `language`: of the page that began it or went on with it, where that is known."""
        if not self._sounds:
            return
        run = {"at": at, **_facts(device), **({"languages": [language]} if language else {})}
        self._store.amend(self._key, lambda found: [*_as_runs(found), run])

    def ended(self, device: DevicePlayer | None) -> None:
        """Complete the run in hand by what was counted."""
        runs = self._runs()
        if device is None or not runs:
            return
        counted = {"blocks": list(device.blocks), "underruns": device.underruns}
        self._store.remember(self._key, [*runs[:-1], {**runs[-1], **counted}])

    def spoken(self, language: str) -> None:
        """Note that an answer was given to a page in this language."""

        def told(found: Any) -> list[dict[str, Any]]:
            runs = _as_runs(found)
            run = runs[-1] if runs else {}
            known = run.get("languages", [])
            return runs if language in known else [*runs[:-1], {**run, "languages": [*known, language]}]

        self._store.amend(self._key, told)

    def _runs(self) -> list[dict[str, Any]]:
        return _as_runs(self._store.remembered(self._key, []))


def _as_runs(found: Any) -> list[dict[str, Any]]:
    return found if isinstance(found, list) else []


def _facts(device: DevicePlayer | None) -> dict[str, Any]:
    if device is None:
        return {"player": "browser"}
    facts = asdict(device.facts)
    return {"player": "device", **facts, "warnings": list(device.facts.warnings)}


def _runs_of(store: "Record", sitting: int) -> list[Mapping[str, Any]]:
    found = store.remembered(_setting(sitting), [])
    return [run for run in found if isinstance(run, dict)] if isinstance(found, list) else []


def _languages(runs: Iterable[Mapping[str, Any]]) -> str:
    """Return in which languages a sitting's page was read; '' if in English alone, in which it is written."""
    tags = list(dict.fromkeys(tag for run in runs for tag in run.get("languages", [])))
    names = [f"{LANGUAGES.get(tag, tag)} ({tag})" for tag in tags]
    return "" if tags in ([], [ENGLISH]) else f"the page's words were read in {' and '.join(names)}"


def languages_read(store: "Record", sitting: int) -> str:
    """Return in which languages a sitting's page was read, in words; '' if in English alone."""
    return _languages(_runs_of(store, sitting))


def played_by_device(store: "Record", sittings: Sequence[int]) -> bool:
    """Return whether a sound device played all runs of these sittings, as far as they are on record."""
    runs = [run for number in sittings for run in _runs_of(store, number) if "player" in run]
    return bool(runs) and all(run.get("player") == "device" for run in runs)


def playback_words(store: "Record", sitting: int) -> tuple[str, ...]:
    """Return what played a sitting, a sentence for each kind of run; () where nothing is on record."""
    runs = _runs_of(store, sitting)
    out = [_device_words(run) for run in runs if run.get("player") == "device"]
    if any(run.get("player") == "browser" for run in runs):
        out.append(_browser_words(store.events(sitting)))
    if told := _languages(runs):
        out.append(told)
    return tuple(f"Sitting {sitting}: {words}." for words in dict.fromkeys(out))


_MIXED = {
    "True": "; the system mixes other programs' sounds into it",
    "False": "; no other program's sounds are mixed into it",
}


def _device_words(run: Mapping[str, Any]) -> str:
    words = (
        f"played by {run.get('device')} ({run.get('host')}) at {run.get('rate')} Hz, {run.get('channels')} channels, "
        f"{1000 * float(run.get('latency_s') or 0):.0f} ms of latency by its own account"
    )
    own = run.get("own_rate")
    if own and own != run.get("rate"):
        words += f"; the device's own rate is {own} Hz, so the system may have resampled, alike for all stimuli"
    words += _MIXED.get(str(run.get("mixed")), "; whether other programs' sounds were mixed in is not known")
    blocks = run.get("blocks")
    if not isinstance(blocks, list) or len(blocks) != 2:
        return words + "; the program was stopped before blocks and underruns were noted"
    low, high = blocks
    words += f"; blocks of {low}{'' if low == high else f' to {high}'} frames"
    count = run.get("underruns")
    return words + (f", {count} of them came too late" if count else ", none of them too late")


def _browser_words(events: Sequence[Mapping[str, Any]]) -> str:
    said = [event for event in events if event.get("event") == "level_set" and event.get("output_rate_hz")]
    if not said:
        return "played by the web browser, which said nothing of its output"
    words = f"played by the web browser, whose output ran at {said[-1]['output_rate_hz']} Hz"
    latency = said[-1].get("output_latency_s")
    return words + (f", {1000 * latency:.0f} ms of latency by its own account" if latency is not None else "")


def stimuli_digest(rendered: "Rendered") -> str:
    """Return one hash of all stimuli's hashes, in an order that tells nothing."""
    return sha256("\n".join(sorted(s.sha256 for s in rendered.stimuli)).encode()).hexdigest()


def loopback_words(store: "Record", rendered: "Rendered") -> tuple[str, ...]:
    """Return what the last loopback of these stimuli found, a sentence; () where there was none of them."""
    wanted = stimuli_digest(rendered)
    found = [one for one in store.remembered(LOOPBACKS, []) if one.get("stimuli_sha256") == wanted]
    if not found:
        return ("The chain that played was not measured by a loopback.",)
    last, out = found[-1], []
    for chain in last["loopback"]:
        words = (
            f"A loopback on {last['at'][:10]} out by {chain['output']}, in by {chain['input']}, at {chain['rate']} Hz, "
            f"{chain['stimuli']} stimuli"
        )
        if chain["level_db"] is not None:
            words += f": levels of a clip's stimuli apart by at most {chain['level_db']:.3f} dB"
        if chain["alignment_samples"] is not None:
            words += f", times by at most {chain['alignment_samples']:.2f} samples"
        words += f", {chain['dropouts']} dropouts"
        out.append(f"{words}. Found: {'; '.join(chain['findings']) or 'nothing'}.")
    return tuple(out)
