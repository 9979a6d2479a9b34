"""Which language a page speaks, that the whole of it does, and that nothing else hangs on it.

Sources: RFC 9110, 12.5.4 (Accept-Language) and 12.4.2 (weights); RFC 6265bis (SameSite, HttpOnly).
"""

import json
import re

import pytest
from starlette.requests import Request

from blindtest.methods import METHODS
from blindtest.session import start, view_of
from blindtest.web.languages import catalogue, language_of, said_in, shell
from blindtest.words import LANGUAGES, Worded


def request(**headers: str) -> Request:
    held = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    return Request({"type": "http", "headers": held})


@pytest.mark.parametrize(
    ("header", "language"),
    [
        # RFC 9110, 12.5.4: its own example prefers Danish, then British English.
        ("da, en-gb;q=0.8, en;q=0.7", "en"),
        ("de", "de"),
        ("de-CH, en;q=0.5", "de"),
        ("en;q=0.2, DE-at;q=0.9", "de"),
        ("fr, de;q=0.5, en;q=0.4", "de"),
        ("en, de", "en"),
        # A weight of 0 means "not acceptable".
        ("de;q=0", "en"),
        # RFC 9110, 12.4.2: a weight is 1 at most; what is more is no weight.
        ("de;q=1.5, en", "en"),
        ("fr", "en"),
        ("", "en"),
        ("de;q=much, ;;;, =", "en"),
        ("x," * 100_000 + "de", "en"),
    ],
)
def test_the_browser_is_followed(header, language):
    assert language_of(request(accept_language=header)) == language


def test_what_was_chosen_goes_first_then_the_study_then_the_browser():
    asked = {"accept_language": "de"}
    assert language_of(request(**asked), "en") == "en"
    assert language_of(request(**asked, cookie="blindtest-language=de"), "en") == "de"
    assert language_of(request(**asked, cookie="blindtest-language=tlh"), "") == "de"


@pytest.fixture
def visitor(toy):
    came = toy.Visitor(toy.app(toy.service()))
    came.enter()
    return came


def test_a_choice_is_kept_in_a_cookie_of_this_page_only(toy):
    came = toy.Visitor(toy.app(toy.service()))
    chosen = came.ask("POST", "/language", b'{"language": "de"}')
    assert chosen.status == 200
    value, *words = [part.strip().lower() for part in chosen.header("set-cookie").split(";")]
    assert value == "blindtest-language=de"
    assert {"httponly", "samesite=strict", "path=/"} <= set(words)
    assert b'<html lang="de">' in came.get("/").body


@pytest.mark.parametrize(
    "body", [b'{"language": "tlh"}', b'{"language": 2}', b"{}", b"", b'{"language": "de", "x": 1}']
)
def test_another_language_is_refused(visitor, body):
    assert visitor.ask("POST", "/language", body).status == 422
    assert visitor.sent[-1].header("set-cookie") is None


def test_another_site_chooses_nothing(visitor):
    sent = visitor.ask("POST", "/language", b'{"language": "de"}', {"origin": "http://evil.example"})
    assert sent.status == 403


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_shell_brings_its_words_as_data(toy, language):
    page = toy.Visitor(toy.app(toy.service(), language=language)).get("/")
    body = page.body.decode()
    assert f'<html lang="{language}">' in body
    held = re.search(r'<script type="application/json" id="words">(.*?)</script>', body, re.S)
    assert json.loads(held[1]) == {"language": language, "messages": dict(catalogue(language).messages)}
    # No block of data is code, and the policy allows no inline code at all.
    assert "script-src 'self';" in page.header("content-security-policy")
    assert f'lang="{language}" aria-current="true"' in body


def test_words_of_a_page_are_text():
    page = shell("listen.html", "en", "<i>x</i>", inside='"><i>y')
    assert "<h1" in page
    assert "<i>" not in page


def test_a_switch_names_each_language_in_itself(toy):
    body = toy.Visitor(toy.app(toy.service())).get("/").body.decode()
    for tag, name in LANGUAGES.items():
        assert re.search(rf'<button type="button"[^>]* lang="{tag}"[^>]*>{name}</button>', body)


def test_a_refusal_is_said_in_the_language(toy):
    came = toy.Visitor(toy.app(toy.service(), language="de"))
    came.enter()
    came.event("began")
    came.event("level_set", gain_db=-20)
    view = came.view()
    told = came.event("confirmed", trial=view["trial"], attempt=view["attempt"], values={"choice": "A"})
    assert told.status == 409
    assert told.json["problem"] == "eine Antwort wurde best\u00e4tigt, bevor eine gew\u00e4hlt war"
    assert told.json["remedy"] == "w\u00e4hlen Sie zuerst eine Antwort"
    assert told.json["view"]["message"] == "Die Kl\u00e4nge werden geladen."


def worded_in(held):
    if isinstance(held, Worded):
        yield held
    elif isinstance(held, dict):
        for each in held.values():
            yield from worded_in(each)
    elif isinstance(held, list | tuple):
        for each in held:
            yield from worded_in(each)


def texts_in(held):
    if isinstance(held, str):
        yield held
    elif isinstance(held, dict):
        for key, each in held.items():
            if key not in ("token", "next", "level", "name", "keys", "step", "kind", "value", "adjusts"):
                yield from texts_in(each)
    elif isinstance(held, list | tuple):
        for each in held:
            yield from texts_in(each)


def test_every_part_of_a_sitting_is_told_in_german(toy):
    """Whatever a view holds in words is German or the organiser's own, in every method and phase."""
    organisers = {*toy.LABELS.values(), *toy.BRIGHTNESS.values()}
    methods = set()
    for name, (block, _) in toy.PARTS.items():
        made = toy.plan_of({name: 1})
        sitting = start(made, study="toy", listener="L01")
        methods.add(block["method"])
        from dataclasses import replace

        held = view_of(replace(sitting, step="trial", gain_db=-20.0)).to_json()
        said = said_in("de", held)
        assert held["question"]["prompt"] != said["question"]["prompt"], name
        for english, german in zip(texts_in(held), texts_in(said), strict=True):
            assert english != german or english in organisers or not re.search(r"[a-z]{3}", english), english
        assert held == view_of(replace(sitting, step="trial", gain_db=-20.0)).to_json(), "the view stays as it was"
        # English is no translation: not one byte is touched.
        assert said_in("en", held) is held
    assert methods == set(METHODS), "a method without a part here"


def test_every_word_of_a_view_is_in_the_catalogue(toy):
    for name in toy.PARTS:
        sitting = start(toy.plan_of({name: 1}), study="toy", listener="L01")
        found = list(worded_in(view_of(sitting).to_json()))
        assert found
        for each in found:
            assert each.message in catalogue("de").messages or re.fullmatch(r"[{}\w ,.]+", each.message), each.message


def answered(toy, came) -> None:
    view = came.view()
    came.listen(view)
    assert came.answer(view).status == 200


def test_the_language_of_an_answer_goes_on_record_once(toy):
    record = toy.Memory()
    came = toy.Visitor(toy.app(toy.service(toy.plan(practice=0, trials=4, break_after=None), record), language="de"))
    came.enter()
    came.event("began")
    came.event("level_set", gain_db=-20)
    assert record.languages == [], "nothing was answered yet"
    answered(toy, came)
    answered(toy, came)
    assert record.languages == ["de"]
    came.cookie += "; blindtest-language=en"
    answered(toy, came)
    answered(toy, came)
    assert record.languages == ["de", "en"]
    assert len(record.rows) == 4


def test_an_answer_is_safe_where_its_language_cannot_be_stored(toy):
    class Full(toy.Memory):
        def spoken(self, language):
            raise OSError("no space left")

    record = Full()
    came = toy.Visitor(toy.app(toy.service(toy.plan(practice=0, trials=2), record)))
    came.enter()
    came.event("began")
    came.event("level_set", gain_db=-20)
    answered(toy, came)
    assert len(record.rows) == 1


def test_what_played_a_sitting_tells_its_languages():
    from blindtest.steps.panel.playback import panel_playback_words
    from blindtest.steps.playback import PlaybackRecord, playback_words, played_by_device

    class Settings:
        def __init__(self):
            self.held = {}

        def remember(self, key, value):
            self.held[key] = json.loads(json.dumps(value))

        def amend(self, key, change):
            self.remember(key, change(self.remembered(key)))

        def remembered(self, key, default=None):
            return self.held.get(key, default)

        def events(self, sitting):
            return ()

    store = Settings()
    run = PlaybackRecord(store, 3)
    run.begun(None, "2026-03-02T10:00:00+00:00")
    run.spoken("en")
    (words,) = playback_words(store, 3)
    assert "read in" not in words, "English is what it is written in"
    run.spoken("de")
    run.spoken("de")
    assert store.held["playback/3"][0]["languages"] == ["en", "de"]
    assert playback_words(store, 3)[-1] == "Sitting 3: the page's words were read in English (en) and Deutsch (de)."
    # Where nothing sounds no run is noted, and a language alone is none.
    silent = PlaybackRecord(store, 4, sounds=False)
    silent.begun(None, "2026-03-02T10:00:00+00:00")
    silent.spoken("de")
    assert playback_words(store, 4) == ("Sitting 4: the page's words were read in Deutsch (de).",)
    assert not played_by_device(store, [4])
    # Of a panel it is counted, sitting 5 being in English alone.
    PlaybackRecord(store, 5).spoken("en")
    panel = panel_playback_words(store, (3, 4, 5), (48_000,))
    assert "In 1 sitting the page's words were read in English (en) and Deutsch (de)." in panel
    assert "In 1 sitting the page's words were read in Deutsch (de)." in panel
    assert not any("read in English (en)." in words for words in panel)
