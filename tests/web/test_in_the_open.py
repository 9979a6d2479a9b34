"""A panel in the open: the guide's server example started as it stands there, and the table of a security standard held
against the tests that it names (OWASP ASVS 5.0.0, level 1)."""

import ast
import base64
import configparser
import importlib.util
import json
import os
import re
import shlex
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from http.client import HTTPConnection, HTTPSConnection
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.session import LaidPlayer, clear_laid
from blindtest.web import PanelServices, hosts_of, make_panel_app
from blindtest.web.journal import Journal
from blindtest.web.limits import LIMITS
from blindtest.web.serving import Server, open_port

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "blindtest"
PAGE = PACKAGE / "guide" / "panel-server.md"
HOST = "listen.example.org"
spec = importlib.util.spec_from_file_location("panel_visitor_", Path(__file__).with_name("panel_visitor.py"))
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)


def block(language):
    """Return the first block of a language in the guide's page."""
    return re.search(rf"```{language}\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S).group(1)


@pytest.fixture
def folder(panel_template, tmp_path):
    return Path(shutil.copytree(panel_template, tmp_path / "study"))


@contextmanager
def opened(folder, **how):
    with steps.open_panel(folder) as panel:
        yield panel, make_panel_app(panel, hosts=hosts_of(8000), secure_hosts=[HOST], **how)


@pytest.fixture
def secure(folder, toy):
    """A visitor who comes through a proxy with TLS, one who comes without, and the panel."""
    with opened(folder) as (panel, app):
        plain, behind = panel_visitor.visitor_of(toy, app), panel_visitor.visitor_of(toy, app)
        ask = behind.ask

        def through(method, path, body=b"", headers=None, chunks=1):
            return ask(method, path, body, {"host": HOST, "origin": f"https://{HOST}", **(headers or {})}, chunks)

        behind.ask = through
        yield behind, plain, panel


def sent(answer):
    return [(name.decode(), value.decode()) for name, value in answer.headers]


def admitted(visitor, panel):
    token = panel.public_token()
    return visitor.agree(token, visitor.open(token))


# The table


def rows_of_the_table():
    return re.findall(r"^\| (V\d+\.\d+\.\d+) \| (.*?) \| (.*) \|$", PAGE.read_text(encoding="utf-8"), re.M)


def test_the_table_has_every_requirement_of_level_1_once(references_of_the_web):
    text = (references_of_the_web / "asvs_5_0_0_level_1.txt").read_text(encoding="utf-8")
    wanted = [line for line in text.splitlines() if not line.startswith("#")]
    assert len(wanted) == 70
    assert [number for number, _, _ in rows_of_the_table()] == wanted


@pytest.fixture
def references_of_the_web():
    return ROOT / "tests" / "references" / "web"


@pytest.mark.parametrize(("number", "here"), [(number, here) for number, _, here in rows_of_the_table()])
def test_a_requirement_names_tests_that_are_there_or_says_why_not(number, here):
    named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", here)
    said = here.startswith(("n/a because ", "this page: ", "whoever serves ", "[panel]"))
    assert named or said, f"{number} says nothing"
    for file, test in named:
        tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
        found = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
        assert test in found, f"{number} names {file}::{test}, which is not there"


# What single rows of it rest on


def sources(*folders):
    return {path: path.read_text(encoding="utf-8") for one in folders for path in sorted((PACKAGE / one).rglob("*.py"))}


def called(tree):
    """Yield the dotted names of everything that is called."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func)


def test_the_server_runs_no_command_and_evaluates_nothing():
    forbidden = {"eval", "exec", "compile", "os.system", "os.popen"}
    for path, text in sources("web", "session", "steps").items():
        names = set(called(ast.parse(text)))
        assert not names & forbidden, path
        assert not [name for name in names if name.startswith(("subprocess.", "pickle."))], path


def test_no_statement_is_put_together_from_text():
    """Statements in text stand in the modules that talk to a database, and hold no value: only names of ours."""
    for path, text in sources("session", "steps", "web").items():
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Call) and ast.unparse(node.func).rsplit(".", 1)[-1] in ("text", "exec_driver_sql"):
                if ast.unparse(node.func) in ("shown.text", "self.text") or not node.args:
                    continue
                first = node.args[0]
                if isinstance(first, ast.JoinedStr):
                    parts = [ast.unparse(one.value) for one in first.values if isinstance(one, ast.FormattedValue)]
                    assert "store/" in str(path) or "migrations/" in str(path), (path, parts)
                    # None of what a listener sends has such a name.
                    assert not {"token", "listener", "pseudonym", "body", "value", "row"} & set(parts), (path, parts)


def test_only_hashes_that_are_approved():
    for path in PACKAGE.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"hashlib\.(md5|sha1|new)|import (md5|sha1)\b", text), path


def scripts():
    return {path: path.read_text(encoding="utf-8") for path in (PACKAGE / "web" / "static").glob("*.js")}


def test_the_page_writes_no_markup():
    for path, text in scripts().items():
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function", text), (
            path
        )


def test_the_page_builds_no_address_from_what_it_is_told():
    """Tokens are checked by the server's route; addresses of our page are fixed but for them."""
    for path, text in scripts().items():
        for found in re.findall(r"(?:\.href|location\.assign|location\.replace|window\.open)\s*[(=]\s*([^;\n]*)", text):
            assert not re.search(r"body\.|response\.|state\.(?!then\b)", found), (path, found)


def test_behind_tls_the_cookie_is_of_this_host_alone(secure):
    behind, plain, panel = secure
    answer = behind.post(
        "/panel/consent",
        {"token": panel.public_token(), "consent_sha256": behind.open(panel.public_token())["consent_sha256"]},
    )
    (cookie,) = [value for name, value in sent(answer) if name == "set-cookie"]
    name, _, rest = cookie.partition("=")
    flags = {part.strip().lower() for part in rest.split(";")[1:]}
    assert name.startswith("__Host-")
    assert {"secure", "httponly", "samesite=strict", "path=/"} <= flags
    assert not [flag for flag in flags if flag.startswith("domain")]
    # Without TLS the browser would not take such a cookie: there it has another name, and the one is not the other.
    state = plain.ask("GET", "/panel/state", headers={"cookie": cookie.partition(";")[0]})
    assert state.status == 401


def test_behind_tls_every_answer_asks_for_tls(secure):
    behind, plain, _ = secure
    for path in ("/", "/static/listen.css", "/panel/state", "/nothing"):
        assert dict(sent(behind.get(path)))["strict-transport-security"] == "max-age=31536000"
        assert "strict-transport-security" not in dict(sent(plain.get(path)))


def test_no_other_origin_is_let_in(secure):
    behind, *_ = secure
    for origin in ("https://evil.example", "null", f"http://{HOST}"):
        for method, path in (("GET", "/panel/state"), ("OPTIONS", "/event"), ("POST", "/event")):
            answer = behind.ask(method, path, headers={"origin": origin})
            assert not [name for name, _ in sent(answer) if name.startswith("access-control-")]
            assert method == "GET" or answer.status in (403, 405)


def test_reading_changes_nothing(secure):
    behind, _, panel = secure
    admitted(behind, panel)
    before = (panel.study.folder / "study.db").read_bytes(), panel.counts()
    for path in ("/", "/sitting", "/panel/state", "/facts", "/view", "/event", "/panel/begin", "/panel/withdraw"):
        behind.get(path)
    assert ((panel.study.folder / "study.db").read_bytes(), panel.counts()) == before


def test_every_body_has_its_type(secure):
    behind, *_ = secure
    expected = {
        "/": "text/html; charset=utf-8",
        "/static/listen.js": "text/javascript; charset=utf-8",
        "/static/listen.css": "text/css; charset=utf-8",
        "/static/icon.svg": "image/svg+xml",
        "/panel/state": "application/json",
        "/nothing": "application/json",
    }
    for path, kind in expected.items():
        assert dict(sent(behind.get(path)))["content-type"] == kind


def test_no_websocket():
    for path, text in {**scripts(), **sources("web")}.items():
        assert "WebSocket" not in text, path


def test_only_what_the_page_needs_is_served(secure):
    behind, *_ = secure
    for path in ("/.git/config", "/study.db", "/study.toml", "/static/../app.py", "/static/app.py", "/static/", "/docs",
                 "/openapi.json", "/stimuli/table.csv", "/static/%2e%2e/app.py"):  # fmt: skip
        assert behind.get(path).status == 404, path


def test_links_and_sessions_are_drawn_with_128_bits_and_more(secure):
    behind, _, panel = secure
    token = panel.public_token()
    links = [link.partition("#")[2] for link in steps.invite(panel.study.folder, 3, url=f"https://{HOST}").links]
    answer = behind.post("/panel/consent", {"token": token, "consent_sha256": behind.open(token)["consent_sha256"]})
    (cookie,) = [value.partition(";")[0].partition("=")[2] for name, value in sent(answer) if name == "set-cookie"]
    secrets = [token, cookie, answer.json["resume"].rpartition("#")[2], *links]
    assert len(set(secrets)) == len(secrets)
    for secret in secrets:
        assert len(base64.urlsafe_b64decode(secret + "=" * (-len(secret) % 4))) * 8 >= 128, secret


def test_a_link_keeps_its_secret_from_the_server(secure):
    """What stands behind '#' is never sent: RFC 3986, 3.5."""
    _, _, panel = secure
    for link in steps.invite(panel.study.folder, 2, url=f"https://{HOST}").links:
        address, _, token = link.partition("#")
        assert address == f"https://{HOST}/"
        assert token


def test_whoever_withdraws_leaves_nothing_in_the_browser(secure):
    behind, _, panel = secure
    admitted(behind, panel)
    answer = behind.post("/panel/withdraw", {})
    headers = dict(sent(answer))
    assert headers["clear-site-data"] == '"storage"'
    assert re.search(r"Max-Age=0|expires=Thu, 01 Jan 1970", headers["set-cookie"])
    assert behind.get("/panel/state").status == 401


def test_too_much_is_refused_and_the_others_do_not_notice(folder, toy, monkeypatch):
    """By a clock that stands: on a busy machine 120 requests may take as long as a share takes to fill again."""
    monkeypatch.setattr("blindtest.web.panel_app.monotonic", lambda: 0.0)
    with opened(folder, limits=LIMITS) as (panel, app):
        one, other = panel_visitor.visitor_of(toy, app), panel_visitor.visitor_of(toy, app)
        admitted(one, panel)
        admitted(other, panel)
        seen = [one.get("/panel/state").status for _ in range(120)]
        # The burst of LIMITS and no more; the first request is a stranger's, until the session was looked up.
        let_through = seen.index(429)
        assert let_through in (60, 61)
        assert set(seen[let_through:]) == {429}
        assert other.get("/panel/state").status == 200


def test_the_journal_says_what_was_refused_and_never_who_asked(folder, toy, tmp_path):
    with opened(folder) as (panel, app):
        noted = Journal(app, tmp_path / "journal.jsonl", clock=panel.clock)
        visitor = panel_visitor.visitor_of(toy, noted)
        told = admitted(visitor, panel)
        visitor.get("/sound/abcdef0123456789", **{"user-agent": "Secret Browser 1.0", "x-forwarded-for": "203.0.113.9"})
        visitor.get("/a\\n{injected}", **{"user-agent": "Secret Browser 1.0"})
        visitor.ask("POST", "/event", b"{}", headers={"origin": "https://evil.example"})
        visitor.open("A" * 27)
    text = (tmp_path / "journal.jsonl").read_text(encoding="utf-8")
    lines = [json.loads(line) for line in text.splitlines()]
    assert [(line["path"], line["status"]) for line in lines][:3] == [("/sound/", 401), ("other", 404), ("/event", 403)]
    assert all(line.keys() == {"at", "method", "path", "status", "ms"} for line in lines)
    for never in ("203.0.113", "Secret", "injected", "evil", "abcdef", told.get("pseudonym") or "L-", "A" * 27, "#"):
        assert never not in text


# nginx and systemd


@contextmanager
def nginx(place, config, port):
    """Start nginx with the guide's example, and wait until it answers."""
    whole = place / "nginx.conf"
    whole.write_text(
        f"daemon off; pid {place}/nginx.pid; error_log {place}/error.log;\n"
        + ("user root;\n" if os.getuid() == 0 else "")
        + "events { worker_connections 256; }\nhttp {\n"
        + "".join(
            f"{name}_temp_path {place}/{name};\n" for name in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        + config
        + "}\n",
        encoding="utf-8",
    )
    checked = subprocess.run(["nginx", "-t", "-p", str(place), "-c", str(whole)], capture_output=True, text=True)
    assert checked.returncode == 0, checked.stderr
    server = subprocess.Popen(["nginx", "-p", str(place), "-c", str(whole)], stderr=subprocess.PIPE)
    try:
        until = time.monotonic() + 60
        while True:
            with socket.socket() as trying:
                if trying.connect_ex(("127.0.0.1", port)) == 0:
                    break
            assert time.monotonic() < until, "nginx is not reached"
            time.sleep(0.05)
        yield
    finally:
        server.terminate()
        server.wait(60)
        server.stderr.close()


def certificate(place):
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={HOST}",
         "-addext", f"subjectAltName=DNS:{HOST}", "-keyout", str(place / "key.pem"),
         "-out", str(place / "fullchain.pem")],
        check=True, capture_output=True,
    )  # fmt: skip


class ThroughTls:
    """A browser's share of it: TLS with the host's name, one cookie, and what a page sends."""

    def __init__(self, place, port):
        self.context = ssl.create_default_context(cafile=str(place / "fullchain.pem"))
        self.port, self.cookie = port, ""

    def __call__(self, method, path, body=None):
        wire = HTTPSConnection("127.0.0.1", self.port, context=self.context, timeout=60)
        wire._context = self.context
        wire.sock = self.context.wrap_socket(socket.create_connection(("127.0.0.1", self.port)), server_hostname=HOST)
        headers = {"Host": HOST, "Origin": f"https://{HOST}"}
        if body is not None:
            headers["Content-Type"] = "application/json"
            body = json.dumps(body)
        if self.cookie:
            headers["Cookie"] = self.cookie
        wire.request(method, path, body, headers)
        answer = wire.getresponse()
        data = answer.read()
        wire.close()
        if given := answer.getheader("set-cookie"):
            self.cookie = given.partition(";")[0]
        return answer, data

    def json(self, method, path, body=None):
        answer, data = self(method, path, body)
        assert answer.status == 200, (path, answer.status, data)
        return json.loads(data)


def test_nginx_as_the_guide_has_it(folder, tmp_path, require, held_port):
    """One listener from the link to an answer through TLS, with sounds that nginx sends."""
    require("nginx", bool(shutil.which("nginx") and shutil.which("openssl")), "nginx or openssl is not installed")
    place = tmp_path / "nginx"
    place.mkdir()
    certificate(place)
    sounds = tmp_path / "sounds"
    clear_laid(sounds)
    own = open_port()
    app_port, tls_port, plain_port = own.getsockname()[1], held_port(), held_port()
    config = block("nginx")
    for old, new in (
        ("127.0.0.1:8790", f"127.0.0.1:{app_port}"),
        ("listen 443 ssl http2;", f"listen 127.0.0.1:{tls_port} ssl http2;"),
        ("listen 80;", f"listen 127.0.0.1:{plain_port};"),
        ("/etc/ssl/panel/", f"{place}/"),
        ("/var/log/nginx/panel.log", f"{place}/panel.log"),
        ("/var/lib/blindtest/sounds/", f"{sounds}/"),
    ):
        assert old in config
        config = config.replace(old, new)
    with ThreadPoolExecutor(2) as makers, steps.open_panel(folder) as panel:
        names = iter(range(1000))
        services = PanelServices(panel, player=lambda: LaidPlayer(sounds, f"{next(names):032x}", makers))
        app = make_panel_app(
            panel, hosts=hosts_of(app_port), secure_hosts=[HOST], services=services, limits=LIMITS, laid_at="/laid/"
        )
        stop = Server(app, own).run_in_thread()
        try:
            with nginx(place, config, tls_port):
                _through_nginx(ThroughTls(place, tls_port), panel, plain_port, tls_port, place)
        finally:
            stop()
            services.close()
    assert [path.name for path in sounds.iterdir()] == ["blindtest-sounds.txt"]


def _through_nginx(browser, panel, plain_port, tls_port, place):
    plain = HTTPConnection("127.0.0.1", plain_port, timeout=60)
    plain.request("GET", "/sitting?x=1", headers={"Host": HOST})
    moved = plain.getresponse()
    assert (moved.status, moved.getheader("location")) == (301, f"https://{HOST}/sitting?x=1")
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
    old.maximum_version = ssl.TLSVersion.TLSv1_1
    with socket.create_connection(("127.0.0.1", tls_port)) as wire, pytest.raises(ssl.SSLError):
        old.wrap_socket(wire)

    shell, _ = browser("GET", "/")
    assert shell.getheader("content-security-policy").startswith("default-src 'none'")
    assert shell.getheader("strict-transport-security") == "max-age=31536000"
    assert "nginx/" not in (shell.getheader("server") or "")
    token = panel.public_token()
    asked = browser.json("POST", "/panel/open", {"token": token})
    state = browser.json("POST", "/panel/consent", {"token": token, "consent_sha256": asked["consent_sha256"]})
    assert browser.cookie.startswith("__Host-")
    answers = {"questions": {"age": 1, "equipment": 0},
               "output": {"rate_hz": 48_000, "latency_s": 0.02}}  # fmt: skip
    while (step := state["step"]) in answers:
        state = browser.json("POST", "/panel/step", {"step": step, "values": answers[step]})
    assert browser.json("POST", "/panel/begin", {}) == {"begun": True}
    name = browser.json("GET", "/facts")["sitting"]

    def event(kind, **values):
        return browser.json("POST", "/event", {"sitting": name, "event": {"event": kind, **values}})["view"]

    event("began")
    level = browser.json("GET", "/view")["view"]["level"]
    assert browser("GET", f"/sound/{level}")[0].status == 200
    view = event("level_set", gain_db=-20, output_rate_hz=48_000, output_latency_s=0.02)
    heard = [browser("GET", f"/sound/{slot['token']}") for slot in view["slots"]]
    said = set()
    for answer, data in heard:
        assert (answer.status, data[:4], answer.getheader("content-type")) == (200, b"RIFF", "audio/wav")
        said.add(tuple((n.lower(), v) for n, v in answer.getheaders() if n.lower() != "date"))
    assert len(said) == 1, "a header tells two slots apart"
    (headers,) = said
    names = {name for name, _ in headers}
    assert not names & {"etag", "last-modified", "accept-ranges", "x-accel-redirect", "content-encoding"}
    assert dict(headers)["cache-control"] == "no-store"
    assert len({data for _, data in heard}) == len(heard), "each slot has its own dither"
    # The place itself is closed, and a folder is not listed.
    for path in ("/laid/", f"/laid/{0:032x}/{view['slots'][0]['token']}.wav"):
        assert browser("GET", path)[0].status == 404
    assert "203.0.113" not in (place / "error.log").read_text(encoding="utf-8")


def test_the_unit_file_parses_and_its_command_is_one(tmp_path):
    unit = configparser.ConfigParser(interpolation=None, strict=True)
    unit.optionxform = str
    unit.read_string(block("ini"))
    service = unit["Service"]
    assert {"NoNewPrivileges", "ProtectSystem", "ProtectHome", "PrivateTmp", "UMask"} <= set(service)
    assert service["KillSignal"] == "SIGINT", "an interrupt is what the panel stops on"
    program, command, *_ = shlex.split(service["ExecStart"])
    assert (Path(program).name, command) == ("blindtest", "panel")
    if shutil.which("systemd-analyze"):
        path = tmp_path / "blindtest-panel.service"
        path.write_text(block("ini").replace(program, "/bin/true"), encoding="utf-8")
        checked = subprocess.run(["systemd-analyze", "verify", str(path)], capture_output=True, text=True)
        assert "Unknown" not in checked.stderr, checked.stderr


def test_the_units_command_serves_a_panel_until_it_is_interrupted(folder, tmp_path, held_port):
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str
    unit.read_string(block("ini"))
    port = held_port()
    command = unit["Service"]["ExecStart"]
    for old, new in (
        ("/opt/blindtest/bin/blindtest", f"{shlex.quote(sys.executable)} -m blindtest"),
        ("/var/lib/blindtest/my-study", str(folder)),
        ("/var/lib/blindtest/", f"{tmp_path}/"),
        ("8790", str(port)),
    ):
        assert old in command
        command = command.replace(old, new)
    served = subprocess.Popen(
        [*shlex.split(command), "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    said = []
    for line in served.stderr:
        said.append(line)
        if "Ctrl-C stops" in line:
            break
    threading.Thread(target=served.stderr.read, daemon=True).start()
    wire = HTTPConnection("127.0.0.1", port, timeout=60)
    wire.request("GET", "/", headers={"Host": HOST})
    assert wire.getresponse().status == 200
    wire.close()
    served.send_signal(signal.SIGINT)
    assert json.loads(served.stdout.read())["did"] == "serve"
    assert served.wait(60) in (0, 130)
    assert any(f"https://{HOST}/#" in line for line in said)
    assert (tmp_path / "sounds" / "blindtest-sounds.txt").exists()
    assert oct((folder / "study.db").stat().st_mode & 0o777) == "0o600"
