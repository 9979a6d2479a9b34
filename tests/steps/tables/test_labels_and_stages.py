"""Ratings under labels that may be wrong, and of a chain's stages, through the command: numbers of the functions."""

import io

import numpy as np
import pandas as pd
import pytest

from blindtest import steps
from blindtest.errors import WrongUse
from blindtest.stats import attribution, label_effect


def labelled(name=10.0, sound=0.0, seed=1):
    """Return a table of 8 listeners, 5 clips: the name is worth so many points, the sound so many."""
    rng = np.random.default_rng(seed)
    rows = ["listener,clip,sound,label,rating"]
    for who in range(8):
        for clip in range(5):
            for heard in ("heron", "plover"):
                for called in ("heron", "plover"):
                    mean = 50 + name * (called == "heron") + sound * (heard == "heron")
                    rows.append(f"L{who},c{clip},{heard},{called},{mean + rng.normal(0, 4):.1f}")
    return "\n".join(rows) + "\n"


def switched(seed=2):
    """Return a table in which the response is worth 12 points and the distortion nothing."""
    rng = np.random.default_rng(seed)
    rows = ["who,item,response_on,distortion,score"]
    for who in range(8):
        for item in range(5):
            for response in ("on", "off"):
                for distortion in ("yes", "no"):
                    rows.append(
                        f"L{who},c{item},{response},{distortion},{50 + 12 * (response == 'on') + rng.normal(0, 4):.1f}"
                    )
    return "\n".join(rows) + "\n"


def test_what_a_name_is_worth(write, value, said):
    text = labelled()
    found, code = value(write(text), "--method", "labels", "--device", "heron", "--margin", 5)
    assert code == 0
    alone = label_effect(pd.read_csv(io.StringIO(text)), device="heron", comparator="plover", margin=5)
    assert found["label_effect"]["label"]["estimate"] == pytest.approx(alone.label.estimate, rel=1e-12)
    assert found["label_effect"]["exact_p_value"] == alone.exact_p_value
    assert alone.word == "shown"
    out, _, _ = said(write(text), "--method", "labels", "--device", "heron")
    assert "heron over plover." in out
    assert f"The name: {alone.label.estimate:+.1f} points" in out
    assert "The margin of 8 points is a default" in out


def test_labels_that_were_always_right_tell_nothing(write, said):
    text = "\n".join(row for row in labelled().split("\n") if "heron,plover" not in row and "plover,heron" not in row)
    _, err, code = said(write(text), "--method", "labels", "--device", "heron")
    assert code == 3
    assert "Traceback" not in err
    assert "label" in err


def test_which_stage_does_it(write, value, said):
    text = switched()
    found, code = value(
        write(text), "--method", "stages", "--column", "rating=score", "--margin", 5, "--column", "clip=item"
    )
    assert code == 0
    table = pd.read_csv(io.StringIO(text)).rename(columns={"who": "listener", "item": "clip", "score": "rating"})
    alone = attribution(table, margin=5)
    words = {one["name"]: one["word"] for one in found["attribution"]["stages"]}
    assert words == {"response_on": "shown", "distortion": "negligible"}
    assert [one["effect"]["estimate"] for one in found["attribution"]["stages"]] == [
        pytest.approx(one.effect.estimate, rel=1e-12) for one in alone.stages
    ]
    out, _, _ = said(write(text), "--method", "stages", "--margin", 5)
    assert "response_on x distortion" in out


def test_a_chain_without_stages_says_what_is_missing(write, said):
    _, err, code = said(write("listener,clip,rating\nL1,c1,50\nL2,c1,60\n"), "--method", "stages")
    assert code == 3
    assert "stage" in err
    assert "Traceback" not in err


def test_pairs_of_stages_are_sent_to_their_study(tmp_path):
    (tmp_path / "pairs.csv").write_text("listener,first,second\nL1,a,b\n", encoding="utf-8")
    with pytest.raises(WrongUse, match=r"no such method, got 'stage-pairs' .*; pairs that differ in one stage are an"):
        steps.analyze_table(tmp_path / "pairs.csv", method="stage-pairs")
    with pytest.raises(WrongUse, match=r"got 'attribution' .*; ratings with stages on and off are --method stages$"):
        steps.analyze_table(tmp_path / "pairs.csv", method="attribution")
