"""Every channel by which a stimulus could be told without listening, what closes it, and the tests that hold it closed.

The list is data: `CHANNELS`. guide/seals.md shows it to users; a test that is renamed or removed is missed here.
"""

import ast
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

import blindtest

TESTS = Path(__file__).parents[1]


@dataclass(frozen=True)
class Channel:
    """A way out: its name, why it tells nothing (as the guide says it), and tests as `folder/file.py::test`."""

    name: str
    closed_by: str
    tests: tuple[str, ...]


CHANNELS = (
    Channel(
        "order in lists",
        "slots keep their names and places in every trial; what each holds is drawn independently and evenly",
        (
            "blindness/test_view.py::test_the_page_cannot_tell_which_is_which",
            "design/test_plan.py::test_keys_are_independent_fair_draws",
            "methods/test_difference.py::test_neighbouring_keys_are_independent",
        ),
    ),
    Channel(
        "file names",
        "a stimulus is named by the hash of its bytes; no list leads from a name to a condition; the page sees no file",
        (
            "render/test_stimuli.py::test_files_tell_nothing",
            "render/test_stimuli.py::test_no_number_joins_a_file_to_the_table",
            "blindness/test_bytes.py::test_nothing_names_conditions_clips_commitment_or_nonce",
            "blindness/test_traces.py::test_an_unreadable_stimulus_is_told_without_its_name_and_loses_no_answer",
        ),
    ),
    Channel(
        "sizes",
        "all stimuli of a clip have the same frames, uncompressed; all slots leave at one length",
        (
            "render/test_stimuli.py::test_files_tell_nothing",
            "blindness/test_bytes.py::test_no_two_slots_are_equal_and_none_tells_by_its_form",
            "blindness/test_metadata.py::test_metadata_guess_x_like_a_coin",
        ),
    ),
    Channel(
        "hashes and addresses",
        "each slot of each trial has a token and noise of its own, so that no two are equal byte for byte",
        (
            "blindness/test_view.py::test_every_slot_of_every_attempt_has_a_token_of_its_own",
            "blindness/test_view.py::test_tokens_stay_when_the_truth_is_exchanged_and_dither_does_too",
            "blindness/test_bytes.py::test_no_two_slots_are_equal_and_none_tells_by_its_form",
            "blindness/test_metadata.py::test_metadata_guess_x_like_a_coin",
        ),
    ),
    Channel(
        "times of files",
        "all stimuli carry one time stamp; a sitting reads them without changing a time (on Linux)",
        (
            "render/test_stimuli.py::test_files_tell_nothing",
            "blindness/test_traces.py::test_a_sitting_leaves_no_time_on_any_stimulus",
        ),
    ),
    Channel(
        "time to load",
        "every slot is read and made anew before it is asked for, also one that is heard twice; a program that "
        "measures times guesses like a coin",
        (
            "blindness/test_traces.py::test_as_much_is_read_whatever_sounds",
            "blindness/test_metadata.py::test_metadata_guess_x_like_a_coin",
            "blindness/test_metadata.py::test_metadata_guess_x_like_a_coin_in_ten_thousand_trials",
        ),
    ),
    Channel(
        "time to switch",
        "sounds lie in memory at one position; a switch is 5 ms out, 5 ms in, also from a sound to itself",
        (
            "blindness/test_ends.py::test_every_switch_is_alike_whatever_sounds_before_and_after",
            "browser/test_sound.py::test_many_switches_and_a_loop_follow_the_rule",
            "session/test_switcher.py::test_a_switch_is_out_then_in_at_the_same_place_also_to_itself",
        ),
    ),
    Channel(
        "memory of the page",
        "with the truth exchanged, all that a script finds in the page is the same, the samples apart",
        ("blindness/test_bytes.py::test_through_a_browser_too",),
    ),
    Channel(
        "network answers",
        "with the truth exchanged, every status, header and byte is the same, the samples apart",
        (
            "blindness/test_bytes.py::test_exchanging_the_truth_changes_nothing_but_samples",
            "blindness/test_bytes.py::test_exchanging_the_truth_changes_nothing_in_any_method",
            "blindness/test_bytes.py::test_through_a_browser_too",
            "blindness/test_bytes.py::test_the_exchange_test_would_see_a_leak",
            "web/test_device_desk.py::test_exchanging_the_truth_changes_no_byte",
        ),
    ),
    Channel(
        "cache headers",
        "nothing is cached; no date, tag, range or compression",
        (
            "blindness/test_bytes.py::test_the_server_adds_nothing_to_what_the_application_sends",
            "web/test_app.py::test_every_response_has_the_security_headers",
            "web/test_app.py::test_all_slots_leave_alike",
        ),
    ),
    Channel(
        "logs on screen",
        "no request is logged; what is printed during a sitting is the same whatever the truth, and names no file",
        (
            "blindness/test_traces.py::test_nothing_is_printed_or_logged_that_differs_or_names_anything",
            "blindness/test_traces.py::test_an_unreadable_stimulus_is_told_without_its_name_and_loses_no_answer",
            "steps/test_street.py::test_printed_render_names_no_file",
        ),
    ),
    Channel(
        "level at the start",
        "all stimuli of a clip are equally loud; the first sound comes in over three seconds, whichever it is",
        (
            "render/test_stimuli.py::test_all_conditions_are_heard_alike",
            "blindness/test_ends.py::test_beginning_and_end_are_alike_in_every_slot",
            "browser/test_sound.py::test_the_first_play_comes_in_slowly",
        ),
    ),
    Channel(
        "ends of the clip",
        "all stimuli of a clip are cut at the same frames, what sounded before in the filters; ends and seams are "
        "faded by the player",
        (
            "render/test_stimuli.py::test_the_programme_before_the_part_is_heard_in_it",
            "render/test_stimuli.py::test_recordings_are_cut_to_the_same_frames_and_aligned_if_asked",
            "blindness/test_ends.py::test_beginning_and_end_are_alike_in_every_slot",
            "browser/test_sound.py::test_a_part_is_looped_with_the_same_fades",
        ),
    ),
    Channel(
        "accessibility names",
        "with the truth exchanged, names and states that a screen reader finds are the same",
        ("blindness/test_bytes.py::test_through_a_browser_too", "browser/test_sitting.py::test_slots_look_alike"),
    ),
    Channel(
        "feedback and earlier trials",
        "only practice tells what was right, after its answer; a labelled trial shares no token with a blind one",
        (
            "blindness/test_view.py::test_feedback_tells_after_the_answer_and_only_in_practice",
            "blindness/test_view.py::test_the_tokens_of_a_labelled_phase_say_nothing_about_those_of_a_blind_one",
            "blindness/test_view.py::test_no_name_is_told_ahead_of_its_phase",
        ),
    ),
    Channel(
        "names that may be wrong",
        "which name stands at a slot is drawn before what sounds there; with the truth exchanged every name stays",
        (
            "blindness/test_view.py::test_names_that_may_be_wrong_stay_when_the_truth_is_exchanged",
            "blindness/test_bytes.py::test_names_that_may_be_wrong_tell_nothing",
            "design/test_labelling.py::test_nothing_on_the_page_says_which_names_are_right",
        ),
    ),
    Channel(
        "levels of an adaptive track",
        "the page shows no level and looks the same wherever the track goes; nothing is fetched before it is known",
        (
            "blindness/test_adaptive.py::test_no_byte_of_the_page_depends_on_the_truth_or_on_the_level",
            "blindness/test_adaptive.py::test_the_next_trial_is_fetched_only_when_it_is_known",
        ),
    ),
)


@cache
def names_in(file):
    """Return the names of the tests that a file holds."""
    tree = ast.parse((TESTS / file).read_text(encoding="utf-8"))
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")}


@pytest.mark.parametrize("channel", CHANNELS, ids=lambda channel: channel.name)
def test_every_channel_is_held_closed_by_tests_that_exist(channel):
    assert channel.tests
    for named in channel.tests:
        file, _, test = named.partition("::")
        assert test in names_in(file), named


def test_the_guide_shows_the_list():
    page = (Path(blindtest.__file__).parent / "guide" / "seals.md").read_text(encoding="utf-8")
    shown = page.partition("## What could tell")[2].partition("\n## ")[0]
    rows = [line for line in shown.splitlines() if line.startswith("| ")][1:]
    assert rows == [f"| {channel.name} | {channel.closed_by} |" for channel in CHANNELS]
