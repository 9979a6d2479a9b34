"""A response leaves in one write, and none is kept back."""

import asyncio
import contextlib
import socket

import pytest
import uvicorn

from blindtest.web.joined_writes import JoinedWrites, JoiningProtocol


class Sent:
    """What a transport was given."""

    def __init__(self):
        self.writes = []
        self.closed = False

    def write(self, data):
        self.writes.append(data)

    def close(self):
        self.closed = True

    def is_closing(self):
        return self.closed


def test_a_head_waits_for_its_body_only():
    sent = Sent()
    joined = JoinedWrites(sent)
    joined.write(b"HTTP/1.1 200 OK\r\n\r\n")
    assert sent.writes == []
    joined.write(b"{}")
    joined.write(b"more")
    assert sent.writes == [b"HTTP/1.1 200 OK\r\n\r\n{}", b"more"]
    assert not joined.is_closing()


def test_a_head_without_a_body_leaves_when_the_response_is_complete_or_the_connection_closes():
    for end in ("complete", "close"):
        sent = Sent()
        joined = JoinedWrites(sent)
        joined.write(b"HTTP/1.1 204 No Content\r\n\r\n")
        getattr(joined, end)()
        joined.complete()
        assert sent.writes == [b"HTTP/1.1 204 No Content\r\n\r\n"]
        assert sent.closed is (end == "close")


def test_the_word_to_go_on_is_not_kept():
    # RFC 9110, 15.2.1: the client sends its body after it.
    sent = Sent()
    JoinedWrites(sent).write(b"HTTP/1.1 100 Continue\r\n\r\n")
    assert sent.writes == [b"HTTP/1.1 100 Continue\r\n\r\n"]


async def answer(scope, receive, send, read_first):
    """Answer with what was sent; to /parts in two parts, the second once the first was read."""
    body = (await receive())["body"]
    parts = [b"one", b"two"] if scope["path"] == "/parts" else [body or scope["method"].encode()]
    length = str(sum(len(part) for part in parts)).encode()
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", length)]})
    for number, part in enumerate(parts, 1):
        await send({"type": "http.response.body", "body": part, "more_body": number < len(parts)})
        if number < len(parts):
            await asyncio.wait_for(read_first.wait(), 10)


@pytest.mark.parametrize("close", [False, True])
def test_every_kind_of_response_arrives_whole_on_one_connection(close):
    async def talk():
        opened = socket.create_server(("127.0.0.1", 0))
        read_first = asyncio.Event()

        async def app(scope, receive, send):
            await answer(scope, receive, send, read_first)

        config = uvicorn.Config(app, http=JoiningProtocol, lifespan="off", log_level="warning", ws="none")
        server = uvicorn.Server(config)
        with contextlib.ExitStack() as stack:
            stack.callback(opened.close)
            serving = asyncio.create_task(server.serve(sockets=[opened]))
            reader, writer = await asyncio.open_connection(*opened.getsockname())
            writes = []
            for request, wanted in [
                (b"GET / HTTP/1.1\r\nhost: a\r\n\r\n", b"GET"),
                (b"HEAD / HTTP/1.1\r\nhost: a\r\n\r\n", b""),
                (b"POST / HTTP/1.1\r\nhost: a\r\ncontent-length: 9\r\n\r\nHTTP/1.1 ", b"HTTP/1.1 "),
                (b"GET /parts HTTP/1.1\r\nhost: a\r\n\r\n", b"one"),
                (b"GET / HTTP/1.1\r\nhost: a\r\n" + b"connection: close\r\n" * close + b"\r\n", b"GET"),
            ]:
                writer.write(request)
                head = await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), 10)
                got = await asyncio.wait_for(reader.readexactly(len(wanted)), 10)
                if wanted == b"one":
                    read_first.set()
                    got += await asyncio.wait_for(reader.readexactly(3), 10)
                    wanted = b"onetwo"
                writes.append((head[:15], got == wanted))
            assert writes == [(b"HTTP/1.1 200 OK", True)] * 5
            if close:
                assert await asyncio.wait_for(reader.read(), 10) == b""
            writer.close()
            server.should_exit = True
            await serving

    asyncio.run(talk())
