"""By which route the loudspeakers of a study are heard: it decides what a result holds for."""

from blindtest.study.study import Study

__all__ = ["loudspeaker_route", "rooms_of"]


def rooms_of(study: Study) -> tuple[str, ...]:
    """Return the ids of the pairs of loudspeakers that are heard over a headphone, in the order of the conditions."""
    named = [stage.binaural_response for condition in study.conditions for stage in condition.stages]
    return tuple(dict.fromkeys(name for name in named if name is not None))


def loudspeaker_route(study: Study) -> str:
    """Return in a sentence or two how loudspeakers are heard; '' where there are none."""
    if study.hardware is not None:
        units = [study.unit(one.unit) for one in study.hardware.connections.values() if one.unit in _known(study)]
        if any(unit.kind == "loudspeaker" for unit in units):
            return "Loudspeakers were heard themselves, switched: nothing of them was rendered."
        return ""
    if study.playback is None:
        return ""
    playback = study.unit(study.playback.unit)
    if rooms := rooms_of(study):
        pairs = "; ".join(_pair(study, name) for name in rooms)
        return (
            f"Loudspeakers were heard over the headphone {playback.name}, through the binaural impulse response of "
            f"each pair: {pairs}. It holds their sound in that room at those ears, and no movement of the head."
        )
    if playback.kind == "loudspeaker":
        place = f" ({playback.position})" if playback.position else ""
        return (
            f"{playback.name} was heard itself, the same loudspeaker at the same position{place} in all conditions: "
            "they differ by what was done to the clips, and the room is in all of them."
        )
    return ""


def _known(study: Study) -> set[str]:
    return {unit.id for unit in study.units}


def _pair(study: Study, name: str) -> str:
    unit = study.unit(name)
    assert unit.binaural is not None
    place = f", {unit.position}" if unit.position else ""
    return f"{unit.name} ({unit.binaural.rig}{place})"
