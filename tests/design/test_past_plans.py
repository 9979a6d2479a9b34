"""Plans of the past are drawn again: what follows from a seed may never change, or no old bundle can be verified.

The property tests would pass with any fair draw; these hold each method to the one it has. The vectors were made with
this code on 2026-11-26; those of eight methods came out the same by the code of 2026-11-25, 20:19 UTC, and
all but stage-pair by that of 2026-11-26, 00:23.
A new method adds its own; one that is there may not change.
"""

from hashlib import sha256

import pytest

from blindtest.design import Block, Controls, Protocol, make_plan
from blindtest.methods import METHODS, Outcome

CONDITIONS = ("heron", "plover", "wader", "crane", "stork", "ibis")
ATTRIBUTE = {"attribute": "brightness", "definition": "How strong.", "low_end": "dull", "high_end": "bright"}
NUMBERS = {
    "2afc": ATTRIBUTE, "3afc": ATTRIBUTE, "staircase": {"task": "odd"}, "staircase-weighted": {"task": "abx"},
    "adjustment": {"first": 0, "step": 2},
}  # fmt: skip


def planned(method, *, phase="blind", trials=24, **more):
    most = METHODS[method].conditions[1]
    block = Block(id="test", phase=phase, method=method, trials=trials, numbers=NUMBERS.get(method, {}), **more)
    protocol = Protocol(name="p", title="P", source="s", decides=(), blocks=(block,))
    return make_plan(
        study_seal="ab" * 32, sitting=3, protocol=protocol,
        conditions=CONDITIONS[:most], clips=("tune", "beat", "voice"), nonce=sha256(b"past plans").digest(),
        deadline="2026-03-09T12:00:00+00:00",
    )  # fmt: skip


def lines(plan):
    """Return each trial as a line. Every third answer is wrong, for what is drawn from answers."""
    earlier, found = [], []
    for number in range(plan.length):
        trial = plan.trial(number, earlier)
        slots = " ".join(f"{slot.name}={slot.condition}" for slot in trial.drawn.slots)
        right = " ".join(f"{key}={value}" for key, value in sorted((trial.drawn.right or {}).items()))
        labels = " ".join(f"{key}={value}" for key, value in sorted(trial.labels.items()))
        ladder = " ".join(trial.drawn.ladder)
        found.append(f"{trial.clip} {trial.control} | {slots} | {right} | {labels} | {ladder}")
        if trial.control is None:
            correct = number % 3 != 2
            answer = dict(trial.drawn.right or {}) if correct else {"choice": "another"}
            earlier.append(Outcome(drawn=trial.drawn, answer=answer, correct=correct))
    return found


def digest(plan):
    return sha256("\n".join(lines(plan)).encode()).hexdigest()


VARIANTS = {
    "abx with controls": ("abx", {"controls": Controls(every=4, audible="crane", inaudible=True)}),
    "rating, unreliable labels": ("rating", {"phase": "unreliable"}),
    "rating-single, unreliable labels": ("rating-single", {"phase": "unreliable"}),
    "rating-single, in sequence": ("rating-single", {"sequence": "williams"}),
}

VECTORS = {
    "abx": "439794363f414ed0f2c0745d13759af4772c744cb26bf60220c98ad9355a096f",
    "triangle": "6334becd30bd229ded34a288b1ae48cd44832f15f650cfbda9ddee92f92e8284",
    "duo-trio": "bfd845049cc03efbc7e360d8676da8a5252cb3c12982af03a971613ae6394c29",
    "tetrad": "aa5ff4e33d7c33cfc9c02de56a7b2b7bfa93c106c26211e313add1bc5296b689",
    "same-different": "b09f3254fe206117f63305e8af1c1d93bb7ebad29748334765e0093cd90c1fa7",
    "2afc": "0b944405f6c65b85f1e714d1f2fff994aedb5db1fa9e61c34192e3ecfe5e454a",
    "3afc": "cb246d2f23ec263b1fb7aa5f1bad045a3041537ad3792b7fb46839078427c7ea",
    "staircase": "a2017a38138b9b9bb7cee1c37e2cf9abf008c73feb1307aae1607c812d5cfcf7",
    "staircase-weighted": "9467c6db149614c95837f4517e90a44e7d85bf9b33922bbce1e50a430722392b",
    "threshold-bayes": "e6b820449b5c07788ac87c3798f01edeef6df279e7a281bfb1a5261fd9289dcf",
    "preference": "daea95d368a45e45887fa825441b441f0fc35f7f6d03c8cde932ec99f36202ce",
    "stage-pair": "4ab645e786bb6133545e206681a09ccb1adfbd9f2423480744dfd0b658b75401",
    "rating": "a0aef6d071635472ddbf25214fcaf6ec239d72463ebfba53edbda45df2bd7ff0",
    "rating-single": "cfd7b89d75337136ab610c201810332a3f08c1ab5bacb00134fbd3abb9e3c8e0",
    "multi-stimulus": "25362d3dc13ba1655552745fd3687b95488de7cafa01c0465e8b292520e05735",
    "small-impairment": "18f662bf7c0f0d911008303337a2aaa3eb7a4bfa9742eabdc18fb7301331e137",
    "recognition": "256864c72c830ecb30a386c488f5d8741d9b3c81e3e2734578e7dc293200acfb",
    "free-listening": "6997ddb77082edd02b5f144073f2c7fd99e8b45e2f7cc530c5d6b653f41e0567",
    "familiarisation": "cec2d3235e89beb167a5b73e330ee9ddecb45cb78158e3a1fa74a415c209f050",
    "adjustment": "6fbea883c72240eb60b684b39069667a23c63b78f49ffa1654d66d04c12f689c",
    "abx with controls": "275bd1a6d677495687ea6de664dd7a496f4f062f2bfa774382dfb1b1a94ff8d8",
    "rating, unreliable labels": "8087f452af23d3f9435d6d22a79943fe60b47f9d5ef61cb5c3e7f3cc71b3a169",
    "rating-single, unreliable labels": "f36a2f352bb70010729a06a29d84216e248474b29af931ffa1dc5582971493c1",
    "rating-single, in sequence": "9de73912d196043fb359993a8bdb615126e6a3e463a670326bcd73e7901de145",
}


@pytest.mark.parametrize("method", METHODS)
def test_every_method_draws_what_it_always_drew(method):
    assert digest(planned(method)) == VECTORS[method]


@pytest.mark.parametrize("name", VARIANTS)
def test_so_do_controls_labels_and_sequences(name):
    method, more = VARIANTS[name]
    assert digest(planned(method, **more)) == VECTORS[name]


def test_the_first_trials_of_one_in_clear():
    """What a digest is of, to be read: two trials, and all that is drawn beside the truth."""
    plan = planned("abx")
    assert lines(plan)[:2] == [
        "beat None | A=heron B=plover X=plover | choice=B |  | ",
        "voice None | A=heron B=plover X=heron | choice=A |  | ",
    ]
    assert plan.commitment == "bfcba4bf5c1a95605188de52609d77b48d64771accd5eb6a5c908e3315bade6d"
    assert plan.token(2, 1, "X") == "A2cTvf8Nv7H41OrZYpPR8R6-ADOGjbtS"
    assert plan.first_slot(2, ("A", "B", "X")) == "X"
    assert plan.level_stimulus() == ("beat", "heron")
    assert plan.dither(2, 1, "X", 8).hex() == "b06aa0f42c88016a"
