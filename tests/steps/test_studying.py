"""What `render` prints says what was matched, and nothing else."""

from dataclasses import fields

import pytest

from blindtest.audio import MatchRow
from blindtest.render import Rendered
from blindtest.steps.studying import RenderShown


@pytest.mark.parametrize(
    ("measure", "begins"),
    [("heard", "Matched by what is heard: "), ("file", "What is heard: "), ("1khz", "What is heard: ")],
)
def test_only_what_was_matched_by_what_is_heard_is_said_to_be(measure, begins):
    numbers = {one.name: -20.0 for one in fields(MatchRow) if one.name not in ("clip", "condition", "measure")}
    rendered = Rendered(
        stimuli=(),
        table=(MatchRow(clip="a", condition="heron", measure=measure, **numbers),),
        limits=(),
        filters={},
        heard="the file; matched by something",
        fixed={},
        trusted_band_hz=(20.0, 10_000.0),
        rates={"a": 48_000},
        made=1,
        reused=0,
    )
    assert f"\n{begins}the file; matched by something.\n" in RenderShown(rendered=rendered, dry_run=False).text()
