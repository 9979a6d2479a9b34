"""Whatever is posted, the page's server answers in its own words: never a trace, never a changed sitting.

A property test over the routes (hypothesis); the count of cases is that of a quick run, a release runs more.
"""

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=10), inner, max_size=3),
    max_leaves=8,
)
NAMES = st.sampled_from(
    ["began", "level_set", "loaded", "selected", "chosen", "unchosen", "confirmed", "faulted", "continued"]
)
KEYS = st.sampled_from(["trial", "attempt", "slot", "values", "gain_db", "kind", "reason", "confidence", "at", "x"])
ALLOWED = {200, 409, 422}


@pytest.fixture(scope="module")
def ready(toy):
    record = toy.Memory()
    served = toy.service(record=record)
    visitor = toy.Visitor(toy.app(served))
    visitor.enter()
    visitor.event("began")
    visitor.event("level_set", gain_db=-20)
    assert served.view()["step"] == "trial"
    visitor.sent.clear()
    return visitor, served, record


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(event=st.dictionaries(KEYS, VALUES | st.just(0) | st.just(1), max_size=5), name=NAMES | st.text(max_size=10))
def test_any_event_is_answered_in_our_words(ready, event, name):
    visitor, served, record = ready
    body = json.dumps({"sitting": served.sitting, "event": {**event, "event": name}}).encode()
    sent = visitor.ask("POST", "/event", body)
    assert sent.status in ALLOWED, sent.body
    assert isinstance(sent.json, dict)
    assert record.rows == []
    assert served.view()["step"] == "trial"


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=st.binary(max_size=300))
def test_any_bytes_are_answered_in_our_words(ready, body):
    visitor, _, record = ready
    sent = visitor.ask("POST", "/event", body)
    assert sent.status == 422
    assert set(sent.json) == {"problem"}
    assert visitor.ask("POST", "/enter", body).status == 200, "the cookie is there already"
    assert record.rows == []


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(path=st.text(alphabet=st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=60))
def test_any_address_is_answered_in_our_words(ready, path):
    visitor, _, _ = ready
    sent = visitor.get("/sound/" + path)
    assert sent.status == 404
    assert sent.json == {"problem": "not here"}
