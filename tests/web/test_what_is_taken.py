"""The guide's table of what pages may send, held against the program: each value named as refused is sent and refused.

OWASP ASVS 5.0.0, V2.1.1: rules for the validity of input are written down.
"""

import importlib.util
import json
import re
import shutil
from copy import deepcopy
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.web import hosts_of, make_panel_app, organiser_routes

ROOT = Path(__file__).parents[2] / "blindtest"
spec = importlib.util.spec_from_file_location("panel_visitor_of_it", Path(__file__).with_name("panel_visitor.py"))
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)


def rows():
    """Return (sent to, field, values that are refused) of each row of the guide's table, in its order."""
    page = (ROOT / "guide" / "panel-server.md").read_text(encoding="utf-8")
    table = page.partition("## What is taken")[2].partition("## Against a standard")[0]
    cells = [re.split(r"\s*\|\s*", line.strip("| \n")) for line in table.splitlines() if line.startswith("| `")]
    for to, field, *_, refused in (one if len(one) == 4 else [*one, ""] for one in cells):
        yield to, field.strip("`"), [json.loads(value) for value in re.findall(r"`([^`]+)`", refused)]


def paths():
    """Return the addresses that something can be sent to, as the program's routes have them."""
    sources = "".join(
        (ROOT / "web" / f"{name}.py").read_text(encoding="utf-8") for name in ("panel_app", "organiser_pages")
    )
    return set(re.findall(r'Route\("([^"]+)",[^\n]*methods=\["POST"\]', sources))


@pytest.fixture
def visitor(toy, panel_template, tmp_path):
    folder = Path(shutil.copytree(panel_template, tmp_path / "study"))
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8").replace("public = true\n", "public = true\nchannels = true\n")
    path.write_text(text, encoding="utf-8")
    with steps.open_panel(folder) as panel:
        organiser = organiser_routes(panel, secret="the-secret", port="8000", is_secure=lambda request: False)
        one = panel_visitor.visitor_of(toy, make_panel_app(panel, hosts=hosts_of(8000), further=organiser))
        one.panel = panel
        yield one


def fit(visitor, to):
    """Return what a page would send now."""
    if to == "/panel/open":
        return {"token": visitor.panel.public_token()}
    if to == "/panel/consent":
        hashed = visitor.open(visitor.panel.public_token())["consent_sha256"]
        return {"token": visitor.panel.public_token(), "consent_sha256": hashed, "browser": "b" * 27}
    if to in ("/panel/step", "/panel/step, questions"):
        return {"step": "questions", "values": {"age": 2, "equipment": 0}}
    if to == "/panel/step, output":
        return {"step": "output", "values": {"rate_hz": 48_000, "latency_s": 0.02}}
    if to == "/panel/step, screening":
        place = {key: visitor.state()["sound"][key] for key in ("test", "attempt", "trial")}
        return {"step": "screening", "values": {**place, "choice": "left", "interruptions": 0}}
    if to == "/event":
        return {"sitting": visitor.get("/facts").json["sitting"], "event": {"event": "began"}}
    return {"/language": {"language": "en"}, "/organiser/enter": {"token": "the-secret"}}.get(to, {})


def with_value(body, field, value):
    changed = deepcopy(body)
    *way, last = field.split(".")
    place = changed
    for key in way:
        place = place[key]
    place[last] = value
    return changed


def refused(answer):
    told = answer.json
    assert answer.status in (403, 409, 422), (answer.status, told)
    assert "\n" not in told["problem"]


def test_what_the_guide_says_is_taken_is_taken_and_nothing_else(visitor):
    told = list(rows())
    assert {to.partition("`")[2].partition("`")[0] for to, _, _ in told} == paths()
    kinds = [to.replace("`", "") for to, _, _ in told]
    sent = 0
    for to in dict.fromkeys(kinds):
        path = to.partition(",")[0]
        if to == "/panel/begin":
            while visitor.state()["step"] == "screening":
                visitor.post("/panel/step", fit(visitor, "/panel/step, screening"))
        body = fit(visitor, to)
        fields = {field: values for kind, (_, field, values) in zip(kinds, told, strict=True) if kind == to}
        leaves = {f"values.{key}" for key in body["values"]} if "," in to else set(body)
        assert leaves - {"values.equipment"} == set(fields) - {""}, to
        for field, values in fields.items():
            assert values or not field
            for value in values:
                refused(visitor.post(path, with_value(body, field, value)))
                sent += 1
        refused(visitor.post(path, {**body, "one field more": 1}))
        for unfit in (b"", b"[]", b"{", b"null", b'{"token": NaN}', b"\xff"):
            refused(visitor.ask("POST", path, unfit))
        if to != "/panel/step":  # what follows in the table is sent to it
            cookie = visitor.cookie
            assert visitor.post(path, body).status == 200, to
            if to == "/language":
                visitor.cookie = cookie  # this visitor keeps one alone
    assert sent > 40
