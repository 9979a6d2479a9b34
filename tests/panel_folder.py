"""A small study with a panel, for tests: one clip of a second, two conditions, one of them tilted. All invented."""

from datetime import date
from pathlib import Path

import numpy as np
import soundfile

RATE = 48_000
SECONDS = 1.0
KEEP_UNTIL = date(date.today().year + 5, 1, 1)
"""Until when answers may be kept: never past, whenever the tests are run."""
STUDY = """\
format = 1
title = "Tilt or no tilt (invented)"
reviewer = "R-test"

[rendering]
over = "worn"

[[condition]]
id = "plain"
stages = []

[[condition]]
id = "tilted"
label = "With a tilt"
stages = [{{ tilt_db_per_octave = -1.0 }}]

[[clip]]
id = "reeds"
file = "clips/reeds.wav"
title = "Reeds"

[[claim]]
id = "heard"
kind = "heard"
device = "tilted"
comparator = "plain"
margin = 0.9

[protocol]
use = "abx"
[protocol.changes]
practice.trials = {practice}
test.trials = {trials}

[listeners]
planned = {planned}
consent = "consent.md"
keep_until = {keep_until}

[panel]
invitation = "invitation.md"
{panel}
[[panel.question]]
id = "age"
words = "How old are you?"
kind = "band"
bands = [18, 30, 45, 60]
unit = "years"

[[panel.question]]
id = "equipment"
words = "What do you listen with?"
kind = "choice"
options = ["headphones", "loudspeakers"]
rather_not_say = false
"""
INVITATION = """\
# Can you hear a tilt?

We made up two devices that differ by a gentle <b>tilt</b>, and we ask
for twenty minutes of your time.

- nothing is sold
- nobody is named
"""
CONSENT = (
    f"Your answers are kept until {KEEP_UNTIL.year} under a pseudonym.\n\nYou can have everything erased at any time.\n"
)


def write_panel(
    folder: Path, *, practice: int = 1, trials: int = 5, planned: int = 10, panel: str = "", study: str = STUDY
) -> Path:
    """Write the study into `folder` and return it; `panel`: further lines of [panel]."""
    (folder / "clips").mkdir(parents=True)
    rng = np.random.default_rng(11)
    time_s = np.arange(round(SECONDS * RATE)) / RATE
    tone = 0.1 * np.sin(2 * np.pi * 220 * time_s)[:, np.newaxis] + 0.05 * rng.standard_normal((len(time_s), 2))
    soundfile.write(folder / "clips" / "reeds.wav", tone, RATE, subtype="PCM_24")
    (folder / "invitation.md").write_text(INVITATION, encoding="utf-8")
    (folder / "consent.md").write_text(CONSENT, encoding="utf-8")
    text = study.format(practice=practice, trials=trials, planned=planned, panel=panel, keep_until=KEEP_UNTIL)
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return folder
