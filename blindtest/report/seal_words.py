"""What a seal shows of a study, and what it does not, in words."""

from blindtest.report.facts import ReportInput
from blindtest.report.words import clean, when

__all__ = ["seal_limits", "seal_words", "stamp_words"]


def seal_words(report: ReportInput) -> tuple[str, ...]:
    """Return what the seal shows here."""
    seal = report.seal
    words = {
        "consistent": (
            "Plans, answers and their chain agree with each other and with their commitments. Nothing outside "
            "this folder "
            "vouches for when they were made."
        ),
        "anchored": (
            "Plans, answers and chain agree, and their commitments were seen elsewhere before the first answer "
            "and after "
            "the last one: this plan existed before anybody listened, and the answers have not changed since."
        ),
        "witnessed": (
            "Plans, answers and chain agree, their commitments were seen elsewhere before and after, and "
            "somebody other "
            "than the listener held the plan."
        ),
        "broken": (
            "Verification found contradictions, listed below. Until they are explained, the result should not be "
            "relied on."
        ),
        "unsealed": "No seal was made: that the trials were drawn beforehand rests on the word of whoever ran them.",
    }
    out = [words[seal.grade]]
    if seal.sealed_at is not None:
        out.append(f"By the organiser's own clock the study was sealed at {when(seal.sealed_at)}.")
    if not seal.listener_could_read and seal.grade != "unsealed":
        out.append(
            "The listener could not have read the plan without the helper's passphrase: until each sitting was over "
            "its plan and its answers lay encrypted under it."
        )
    out += [f"Seen elsewhere: {clean(place)}." for place in seal.published]
    return (*out, *stamp_words(report))


def stamp_words(report: ReportInput) -> tuple[str, ...]:
    """Return what time stamps show, if there are any."""
    shown = tuple(f"An authority's {clean(one)}." for one in report.seal.stamps)
    return (*shown, _RESTS) if shown else ()


_RESTS = (
    "Such a stamp (RFC 3161) shows that a commitment existed at its time; that answers came later rests on the clock "
    "of the computer that recorded them, and who signed on the certificate that the organiser put beside it."
)


def seal_limits(report: ReportInput) -> tuple[str, ...]:
    """Return what the seal does not show."""
    out = []
    if report.seal.grade in ("consistent", "unsealed", "broken"):
        out.append(
            "That the plan was not drawn again until one suited, and that no other sitting was held and left "
            "unmentioned: "
            "for that the commitments must be published elsewhere before anybody listens."
        )
    else:
        out.append("That no other study was sealed, run and left unmentioned elsewhere.")
    if report.seal.of_a_panel:
        out.append(
            "The organiser could have read each plan: all of them lay on the machine that served the panel. Its pages "
            "told listeners nothing of them."
        )
    elif report.seal.listener_could_read:
        out.append(
            "The listener could have read the plan: it lay on a machine within reach, and not under the passphrase of "
            "somebody else."
        )
    out.append(
        "A seal stops accident and self-deception. A determined owner of the machine is stopped only by "
        "commitments seen "
        "elsewhere and a plan kept by somebody else."
    )
    return tuple(out)
