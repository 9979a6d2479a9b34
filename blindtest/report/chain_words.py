"""What was applied for a condition in words, and what was left out: said of every chain, not of the best one."""

import numpy as np

from blindtest.report.chain_facts import ChainFacts, HarmonicsFacts, RoomFacts
from blindtest.report.words import clean, decibel, frequency_words, number

__all__ = ["chain_left_out", "chain_words"]

_BAND = (20.0, 20_000.0)


def chain_words(chain: ChainFacts) -> str:
    """Return what was applied, with its numbers, in a few sentences."""
    if chain.empty:
        return "Nothing was applied: this is the clip as it is, brought to its loudness."
    inside = (chain.frequency >= _BAND[0]) & (chain.frequency <= _BAND[1])
    said = []
    if chain.recording:
        said.append("A recording stands in for the clip; what it was made with is in it, and was not taken apart.")
    for one in (*chain.stages, *chain.ears):
        said.append(f"{clean(one.name)}: {_span(one.level_db[inside])} dB.")
    if len(chain.stages) > 1:
        said.append(f"All together: {_span(chain.sum_db[inside])} dB.")
    for delay in chain.delays:
        said.append(f"{clean(delay.name)}: {_span(delay.delay_ms, 2)} ms of group delay beyond minimum phase.")
    for load in chain.loads:
        said.append(
            f"{clean(load.name)}: {load.source_ohm:g} ohm ahead of {number(float(load.ohm.min()), 1)} to "
            f"{number(float(load.ohm.max()), 1)} ohm"
            + ("." if load.phase_measured else "; only |Z| was measured, its phase is rebuilt as minimum phase.")
        )
    said += [_harmonics_words(one) for one in chain.harmonics]
    said += [_room_words(one) for one in chain.rooms]
    if chain.offset_db:
        said.append(f"A deliberate offset of {decibel(chain.offset_db, 2)} dB from the matched loudness.")
    return " ".join(said)


def _span(values: np.ndarray, digits: int = 1) -> str:
    return f"{decibel(float(values.min()), digits)} to {decibel(float(values.max()), digits)}"


def _room_words(one: RoomFacts) -> str:
    late, low = one.interaural_ms, one.crosstalk_db
    return (
        f"{clean(one.name)}: the direct sound of the left loudspeaker comes {number(late[0], 2)} ms later and "
        f"{decibel(low[0], 1)} dB to the right ear, that of the right one {number(late[1], 2)} ms later and "
        f"{decibel(low[1], 1)} dB to the left ear; {number(one.length_s, 2)} s long. A delay of "
        f"{number(one.common_delay_ms, 1)} ms, common to all four paths, was taken out; none was moved against another."
    )


def _harmonics_words(one: HarmonicsFacts) -> str:
    if not one.made:
        return f"{clean(one.name)}: every harmonic lies above half the sample rate; nothing was added."
    order, hertz, _, highest = max(one.made, key=lambda row: row[3])
    level = "the one level of its table" if one.level_db is None else f"the table's level of {one.level_db:g} dB"
    scaled = f", turned {'up' if one.scale_db > 0 else 'down'} by {abs(one.scale_db):g} dB" if one.scale_db else ""
    return (
        f"{clean(one.name)}{scaled}, met at {level} (a full-scale sine of the clip plays at {one.full_scale_db:g} dB): "
        f"H{order} is the strongest, {decibel(highest, 1)} dB below and at {frequency_words(round(hertz))}."
    ).replace("dB below and at", "dB re the fundamental, at")


def chain_left_out(chain: ChainFacts) -> tuple[str, ...]:
    """Return what a listener of this condition could not hear, because the chain doesn't hold it."""
    out = []
    if chain.rooms:
        out += [
            "Movements of the head: the room turns with the listener. The listener's own head and outer ears: those of "
            "the head that was measured took their place, and what the headphone does on the listener's own ears "
            "differs from what was divided out.",
            "Distortion, noise, rattle, and what depends on level: an impulse response is linear. Looks, and the sound "
            "that a body feels.",
        ]
    elif chain.measured:
        out += [
            "Seal and leakage on a given head: the response is the mean of the bench's seatings, not that of the "
            "listener.",
            "Spatial cues: how an outer ear or a room takes the sound in is in no magnitude response"
            + ("." if chain.ears else ", and left and right get the mean of both."),
            "Noise, hum and rattle of the unit, its weight, touch and looks.",
        ]
        if not chain.delays:
            out.append("Phase beyond minimum phase: each filter has the phase that its level implies.")
        if not chain.harmonics:
            out.append("Distortion: the unit is rendered as linear.")
        if not chain.loads:
            out.append("A source's output impedance: the unit sounds as the bench drove it.")
    for _ in chain.harmonics[:1]:
        out += [
            "Memory and heat: the harmonics are those of a static nonlinearity, which knows nothing of what sounded "
            "before; compression, drift and break-up are not in it.",
            "Intermodulation as measured: how the orders mix several tones is what the model predicts, and a table of "
            "harmonics can't tell one model from another. Orders that the table lacks are not invented.",
        ]
    if chain.loads and not chain.measured:
        out.append("The unit behind the source: only what the source changes of its response is applied.")
    if not out and not chain.empty and not chain.recording:
        out.append("No unit was imitated: what is shown is all that was applied.")
    return tuple(out)
