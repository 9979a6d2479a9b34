"""Tables of ratings against an original, through the command.

Sources: ITU-R BS.1534-3 (2015), 4.1.2 for who is left out; Tukey's hinges; ITU-R BS.1116-3's difference grades. The t
values of the grades are those of R: t.test(x, alternative = "less"), here by scipy.stats.ttest_1samp.
"""

from itertools import product

import numpy as np
import pytest
from scipy.stats import ttest_1samp, ttest_rel

SCORES = {
    "reference": (100, 100, 95, 100, 98, 60),
    "one": (80, 75, 70, 66, 81, 50),
    "other": (60, 58, 66, 52, 59, 70),
    "low-anchor": (10, 20, 15, 12, 22, 90),
    "mid-anchor": (40, 45, 42, 50, 38, 95),
}
CLIPS = ("strings", "drums")


def ratings(names=None):
    rows = ["listener,clip,device,rating"]
    for device, scores in SCORES.items():
        for who, score in enumerate(scores, start=1):
            rows += [f"L{who},{clip},{(names or {}).get(device, device)},{score}" for clip in CLIPS]
    return "\n".join(rows) + "\n"


def test_medians_and_hinges_of_every_condition(write, value):
    found, code = value(write(ratings()), "--method", "multi-stimulus")
    assert code == 0
    assert (found["reference"], found["mid_anchor"]) == ("reference", "mid-anchor")
    everybody = found["summary"]["everybody"]["table"]
    cell = next(row for row in everybody if (row["condition"], row["item"]) == ("one", "drums"))
    # Of 50 66 70 75 80 81: Tukey's hinges are the medians of the halves.
    assert (cell["n"], cell["q1"], cell["median"], cell["q3"]) == (6, 66, 72.5, 80)


def test_who_misses_the_hidden_reference_is_left_out_and_both_results_are_there(write, value):
    """BS.1534-3, 4.1.2: below 90 on the hidden reference in more than 15 % of the items; above 90 on the mid anchor."""
    found, _ = value(write(ratings()), "--method", "multi-stimulus")
    assert found["screening"]["dropped"] == ["L6"]
    assert found["claim"]["everybody"]["device"] == "one", "anchors apart there are two"
    kept = found["summary"]["kept"]["table"]
    assert {row["n"] for row in kept if row["item"] != "(all)"} == {5}


def test_a_claimed_pair_is_tested_on_one_mean_per_listener(write, value, said):
    pair = ("--device", "one", "--comparator", "other", "--margin", "5")
    found, _ = value(write(ratings()), "--method", "multi-stimulus", *pair)
    whole, kept = found["claim"]["everybody"], found["claim"]["kept"]
    one, other = (np.array(SCORES[name], float) for name in ("one", "other"))
    assert whole["means"]["p_value"] == pytest.approx(ttest_rel(one, other).pvalue, rel=1e-9)
    assert whole["means"]["estimate"] == pytest.approx((one - other).mean())
    assert kept["means"]["p_value"] == pytest.approx(ttest_rel(one[:5], other[:5]).pvalue, rel=1e-9)
    assert kept["medians"]["difference"] == 75 - 59
    swaps = [np.array(signs) == 1 for signs in product((0, 1), repeat=5)]
    apart = [np.median(np.where(s, other[:5], one[:5])) - np.median(np.where(s, one[:5], other[:5])) for s in swaps]
    assert kept["medians"]["p_value"] == pytest.approx(np.mean(np.abs(apart) >= 16)), "all 2**5 relabellings"
    out, _, _ = said(write(ratings()), "--method", "multi-stimulus", *pair)
    assert "one over other, one mean per listener." in out
    assert "The rules leave out 1 of 6 listeners: L6 (" in out


def test_without_a_reference_nobody_is_screened(write, value, said):
    other = {"reference": "top", "mid-anchor": "seven"}
    found, code = value(write(ratings(other)), "--method", "multi-stimulus")
    assert (code, found["reference"], found["screening"]) == (0, "", None)
    out, _, _ = said(write(ratings(other)), "--method", "multi-stimulus")
    assert "No condition is called the reference." in out


def test_training_is_never_counted_and_our_own_tables_name_the_original_by_the_open_slot(write, value):
    rows = ["listener,trial,slot,phase,method,clip,order,condition,response"]
    for trial, phase in ((0, "practice"), (1, "blind"), (2, "blind")):
        for slot, name, score in (("1", "orig", 100), ("2", "codec", 40 + 30 * trial)):
            rows.append(f"L1,{trial},{slot},{phase},multi-stimulus,c{trial},1=orig|2=codec|R=orig,{name},{score}")
    found, code = value(write("\n".join(rows) + "\n"), "--method", "multi-stimulus")
    assert code == 0
    assert found["reference"] == "orig"
    whole = found["summary"]["everybody"]["table"]
    assert next(row for row in whole if row["condition"] == "codec" and row["item"] == "(all)")["median"] == 85


def test_a_rating_that_is_none_is_named_by_line_and_a_decimal_comma_is_read(write, said, value):
    _, err, code = said(
        write(ratings().replace("L1,strings,one,80", "L1,strings,one,good")), "--method", "multi-stimulus"
    )
    assert code == 3
    assert "table.csv:14: rating: can't be read, got 'good' (allowed: a finite number)" in err
    text = grades().replace(",", ";").replace(".", ",")
    found, _ = value(write(text), "--method", "small-impairment")
    assert found == value(write(grades()), "--method", "small-impairment")[0] | {"understood": found["understood"]}


def test_scores_off_the_scale_are_named_by_line(write, said):
    _, err, code = said(
        write(ratings().replace("L1,strings,one,80", "L1,strings,one,180")), "--method", "multi-stimulus"
    )
    assert code == 3
    assert "table.csv:14: rating: a score outside the scale, got 180" in err


# Listener, trial: grade of the object, grade of the hidden reference. L3 hears nothing.
GRADES = {
    "L1": [(4.4, 5.0), (4.8, 5.0), (5.0, 4.9), (4.2, 5.0), (4.6, 5.0)],
    "L2": [(3.5, 5.0), (4.0, 5.0), (3.8, 5.0), (4.1, 5.0), (3.9, 5.0)],
    "L3": [(5.0, 4.5), (4.6, 5.0), (5.0, 5.0), (5.0, 4.8), (4.9, 5.0)],
}


def grades():
    rows = ["listener,trial,clip,device,grade"]
    for who, trials in GRADES.items():
        for trial, (tested, hidden) in enumerate(trials):
            rows += [f"{who},{trial},c{trial},codec,{tested}", f"{who},{trial},c{trial},reference,{hidden}"]
    return "\n".join(rows) + "\n"


def test_difference_grades_and_who_is_left_out(write, value):
    found, code = value(write(grades()), "--method", "small-impairment")
    assert code == 0
    sdg = {who: np.array([tested - hidden for tested, hidden in trials]) for who, trials in GRADES.items()}
    (whole,) = found["grades"]["everybody"]["objects"]
    test = ttest_1samp([values.mean() for values in sdg.values()], 0, alternative="less")
    assert whole["mean"] == pytest.approx(np.mean([values.mean() for values in sdg.values()]), abs=1e-9)
    assert (whole["t_value"], whole["p_value"]) == (pytest.approx(test.statistic), pytest.approx(test.pvalue))
    low, high = ttest_1samp([values.mean() for values in sdg.values()], 0).confidence_interval(0.95)
    assert whole["interval"] == pytest.approx([low, high])
    assert (whole["trials"], whole["confused"], whole["alike"]) == (15, 3, 1)
    alone = {who: ttest_1samp(values, 0, alternative="less").pvalue for who, values in sdg.items()}
    assert found["screening"]["dropped"] == [who for who, p in alone.items() if p > 0.05] == ["L3"]
    assert found["grades"]["kept"]["objects"][0]["listeners"] == 2


def test_check_value_of_the_screening(write, value):
    """methods 9.1, number 62: SDG -.6 -.2 .1 -.8 -.4 0 -.5 -.3 -.7 .2: mean -.32, t -2.9542, one-sided p .008055."""
    sdg = (-0.6, -0.2, 0.1, -0.8, -0.4, 0, -0.5, -0.3, -0.7, 0.2)
    rows = "".join(
        f"L1,{n},c,codec,{5 + min(x, 0):.1f}\nL1,{n},c,reference,{5 - max(x, 0):.1f}\n" for n, x in enumerate(sdg)
    )
    found, _ = value(write("listener,trial,clip,device,grade\n" + rows), "--method", "small-impairment")
    (one,) = found["grades"]["everybody"]["objects"]
    assert one["unit"] == "trial"
    assert one["mean"] == pytest.approx(-0.32)
    assert one["t_value"] == pytest.approx(-2.9542, abs=5e-5)
    assert one["p_value"] == pytest.approx(0.008055, abs=5e-7)


def test_a_trial_without_its_reference_is_named(write, said):
    text = grades().replace("L2,3,c3,reference,5.0\n", "")
    _, err, code = said(write(text), "--method", "small-impairment")
    assert code == 3
    assert "a trial without a grade of the hidden reference, got 'listener L2, trial 3' (allowed: reference)" in err


def test_no_reference_is_asked_for(write, said):
    _, err, code = said(write(grades().replace("reference", "top")), "--method", "small-impairment")
    assert code == 3
    assert "which condition is the hidden reference?" in err
