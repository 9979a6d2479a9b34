"""Who wants out is forgotten, whatever is wrong with the study file apart from where the record stands."""

import pytest

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError, Missing
from blindtest.study import load_study

SAID = "It shimmers."


def spoken(folder, by="L-out"):
    """Let somebody be on record: the cheapest way is an impression."""
    steps.impression(folder, words=SAID, unit=load_study(folder).units[0].id, by=by)
    assert SAID.encode() in (folder / "study.db").read_bytes()
    return folder


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text.replace('file = "', 'file = "gone-', 1),
        lambda text: text + "\n[[[",
        lambda text: "wrong = 1\n" + text.replace("[protocol]", "[protocl]"),
        None,
    ],
    ids=["a clip that is gone", "no TOML", "misspelt keys", "no study file"],
)
def test_a_faulty_study_file_keeps_nobody_in(own_study, spoil):
    folder, path = spoken(own_study), own_study / "study.toml"
    if spoil is None:
        path.unlink()
    else:
        path.write_text(spoil(path.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(BlindtestError):
        load_study(folder)
    assert steps.forget(folder, "L-out").sittings == ()
    assert SAID.encode() not in (folder / "study.db").read_bytes()


@pytest.mark.parametrize("table", ["[storage]\nurl_form = 'X'\n", "[storage\n", "storage = 1\n"])
def test_what_may_name_another_database_is_not_guessed(own_study, table):
    folder, path = spoken(own_study), own_study / "study.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(f"{table}{text}" if "=" in table[:9] else f"{text}\n{table}", encoding="utf-8")
    with pytest.raises(BlindtestError, match=r"study\.toml:\d+: "):
        steps.forget(folder, "L-out")
    assert SAID.encode() in (folder / "study.db").read_bytes()


def test_it_looks_before_it_asks(own_study, tmp_path, capsys):
    for folder, code, said in (
        (tmp_path / "nowhere", 3, "there is no study file here"),
        (own_study, Missing.exit_code, "nothing has been recorded yet: there is nobody to forget"),
    ):
        with pytest.raises(SystemExit) as left:
            main(["forget", "L-out", str(folder)])
        assert left.value.code == code
        told = capsys.readouterr().err
        assert said in told
        assert "can't be undone" not in told
