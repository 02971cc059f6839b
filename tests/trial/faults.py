"""A proxy that makes faults, on this machine only: it cuts, doubles, delays and loses what passes between a client and
the server, and keeps every answer the server gave, also those that never reached the client.

A request says what is done to it by `X-Fault` and what it is by `X-Delivery`; the server sees neither. A browser, which
says nothing, is given what `Proxy.weather(head)` answers.
"""

import asyncio
import contextlib
import random
import socket
import struct
import threading
import time
from dataclasses import dataclass, field
from enum import StrEnum

MOST_HEAD = 64 * 1024
MOST_BODY = 40 * 1024 * 1024
MOST_OPEN = 64
PATIENCE = 60


class Fault(StrEnum):
    """What can happen to one request. Where it is cut is drawn by the proxy."""

    NONE = "none"
    CUT_REQUEST = "cut-request"  # the server gets a part and an orderly end
    RESET_REQUEST = "reset-request"  # the server gets a part and a reset
    LOSE_ANSWER = "lose-answer"  # the server gets all and answers; the client hears nothing
    CUT_ANSWER = "cut-answer"  # the client gets a part of the answer
    HANG_UP = "hang-up"  # the server gets all, and its connection is reset before it answers
    TWICE = "twice"  # the same request again after the answer
    AT_ONCE = "at-once"  # the same request three times at the same moment
    DELAY = "delay"  # others pass it meanwhile
    DRIBBLE = "dribble"  # the body comes in small pieces


FAULTS = tuple(Fault)


@dataclass(frozen=True)
class Answer:
    """One whole answer of the server, whether the client got it or not."""

    delivery: str
    status: int
    headers: dict
    body: bytes


@dataclass
class Stop:
    """Where a record on its way is held, so that somebody can be killed meanwhile.

    at -- "request": half of it is with the server; "work": all of it is; "answer": the server has answered and the
    client has half of that
    skip -- how many records pass before
    """

    at: str
    skip: int
    reached: threading.Event = field(default_factory=threading.Event)
    go: threading.Event = field(default_factory=threading.Event)

    def wait(self, patience):
        """Whether a record came to be held."""
        return self.reached.wait(patience)

    def release(self):
        """Whoever is left hears that the connection is gone."""
        self.go.set()


class Proxy:
    """Listens on a port of its own once `start` is called and sends everything on to `server_port`."""

    def __init__(self, server_port, *, seed=0):
        self.server_port = server_port
        self.random = random.Random(seed)
        self.answers, self.broken = [], []  # to whole requests, to parts of requests
        self.weather = lambda head: Fault.NONE
        self.open_for_all = True
        self._stop = None
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="faults", daemon=True)

    def __enter__(self):
        self._thread.start()
        self._ready.wait(PATIENCE)
        return self

    def __exit__(self, *_why):
        self._loop.call_soon_threadsafe(self._ended.set)
        self._thread.join(PATIENCE)

    def hold(self, at, *, skip=0):
        """A Stop for the record that comes after `skip` others."""
        self._stop = Stop(at, skip)
        return self._stop

    def _to_hold(self, request):
        stop = self._stop
        if stop is None or stop.go.is_set() or not is_record(request):
            return None
        if stop.skip:
            stop.skip -= 1
            return None
        self._stop = None
        return stop

    def _run(self):
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._serve())
        self._loop.close()

    async def _serve(self):
        self._ended = asyncio.Event()
        self._room = asyncio.Semaphore(MOST_OPEN)
        self._tasks = set()
        server = await asyncio.start_server(self._serve_client, "127.0.0.1", 0, limit=MOST_HEAD)
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._ended.wait()
        server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _serve_client(self, reader, writer):
        task = asyncio.current_task()
        self._tasks.add(task)
        try:
            async with self._room:
                await asyncio.wait_for(self._one(reader, writer), PATIENCE)
        except (OSError, EOFError, ValueError, TimeoutError):
            reset(writer)
        except asyncio.CancelledError:
            reset(writer)
        finally:
            self._tasks.discard(task)
            writer.close()

    async def _one(self, reader, writer):
        request = await read_request(reader)
        if request is None or not self.open_for_all:
            return reset(writer)
        fault = Fault(request.fault or self.weather(request.head))
        if stop := self._to_hold(request):
            return await self._held(stop, request, writer)
        answer = await getattr(self, f"_{fault.name.lower()}")(request, writer)
        if answer is not None:
            writer.write(answer)
            await writer.drain()

    # What is done to a request; what is returned goes to the client.

    async def _none(self, request, _writer):
        return await self._ask(request)

    async def _cut_request(self, request, writer):
        part = self._part_of(request)
        with contextlib.suppress(OSError):
            reader, server = await self._connect()
            server.write(part)
            await server.drain()
            server.write_eof()
            # The server may answer the part with anything; it is read, so that it can be judged.
            self._keep(request, await read_all(reader), part=True)
            server.close()
        reset(writer)

    async def _reset_request(self, request, writer):
        with contextlib.suppress(OSError):
            _reader, server = await self._connect()
            server.write(self._part_of(request))
            await server.drain()
            await asyncio.sleep(0.02)
            reset(server)
        reset(writer)

    async def _lose_answer(self, request, writer):
        reset(writer)
        await self._ask(request)

    async def _cut_answer(self, request, writer):
        answer = await self._ask(request)
        writer.write(answer[: self.random.randrange(len(answer))])
        await writer.drain()
        writer.close()

    async def _hang_up(self, request, writer):
        _reader, server = await self._connect()
        server.write(request.whole)
        await server.drain()
        await asyncio.sleep(self.random.choice([0, 0.005, 0.02]))
        reset(server)
        reset(writer)

    async def _twice(self, request, _writer):
        await self._ask(request)
        return await self._ask(request)

    async def _at_once(self, request, _writer):
        answers = await asyncio.gather(*(self._ask(request) for _turn in range(3)))
        return answers[self.random.randrange(3)]

    async def _delay(self, request, _writer):
        await asyncio.sleep(self.random.uniform(0.02, 0.4))
        return await self._ask(request)

    async def _dribble(self, request, _writer):
        return await self._ask(request, pieces=self.random.randint(3, 12))

    async def _held(self, stop, request, writer):
        """Brings a request to where it is to be held, says so, and goes on when told to, as far as anybody is left."""
        reader, server = await self._connect()
        half = len(request.whole) - max(1, len(request.body) // 2)
        server.write(request.whole[:half] if stop.at == "request" else request.whole)
        await server.drain()
        answer = await read_all(reader) if stop.at == "answer" else b""
        if answer:
            self._keep(request, answer)
            writer.write(answer[: len(answer) // 2])
            await writer.drain()
        stop.reached.set()
        while not stop.go.is_set():
            await asyncio.sleep(0.005)
        reset(server)
        reset(writer)

    # The server's side.

    async def _connect(self):
        return await asyncio.open_connection("127.0.0.1", self.server_port)

    async def _ask(self, request, *, pieces=1):
        reader, server = await self._connect()
        try:
            size = max(1, -(-len(request.whole) // pieces))
            for start in range(0, len(request.whole), size):
                server.write(request.whole[start : start + size])
                await server.drain()
                if pieces > 1:
                    await asyncio.sleep(0.004)
            answer = await read_all(reader)
        finally:
            server.close()
        self._keep(request, answer)
        return answer

    def _part_of(self, request):
        """Everything up to somewhere in the body, or now and then only up to somewhere in the head."""
        head = len(request.whole) - len(request.body)
        if request.body and self.random.random() < 0.9:
            return request.whole[: head + self.random.randrange(len(request.body))]
        return request.whole[: self.random.randrange(1, head)]

    def _keep(self, request, answer, *, part=False):
        if request.delivery and answer:
            kept = self.broken if part else self.answers
            kept.append(parse_answer(request.delivery, answer))


@dataclass(frozen=True)
class Request:
    head: str
    whole: bytes
    body: bytes
    fault: str
    delivery: str


async def read_request(reader):
    """The next request, or None if the client says nothing; our own two headers are taken out."""
    try:
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
    except asyncio.IncompleteReadError:
        return None
    first, *lines = head[:-4].split("\r\n")
    told = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
    if "transfer-encoding" in told:
        raise ValueError("a body of unknown length")
    length = int(told.get("content-length", 0))
    if length > MOST_BODY:
        raise ValueError("a body longer than this proxy takes")
    body = await reader.readexactly(length)
    passed = [line for line in lines if line.partition(":")[0].lower() not in OURS]
    whole = "\r\n".join([first, *passed, "Connection: close", "", ""]).encode("latin-1") + body
    return Request(head, whole, body, told.get("x-fault", ""), told.get("x-delivery", ""))


OURS = {"x-fault", "x-delivery", "connection"}


def is_record(request):
    """A post of the outbox; its questions and reports are none."""
    first = request.head.partition("\r\n")[0]
    return first.startswith("POST") and "x-outbox" in request.head.lower() and "/phone/report/" not in first


async def read_all(reader):
    answer = bytearray()
    while part := await reader.read(64 * 1024):
        answer += part
        if len(answer) > MOST_BODY:
            raise ValueError("an answer longer than this proxy takes")
    return bytes(answer)


def parse_answer(delivery, answer):
    head, _, body = answer.partition(b"\r\n\r\n")
    first, *lines = head.decode("latin-1").split("\r\n")
    headers = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
    return Answer(delivery, int(first.split()[1]), headers, unchunked(body) if "chunked" in headers.values() else body)


def unchunked(body):
    found = bytearray()
    while body:
        size, _, rest = body.partition(b"\r\n")
        length = int(size.partition(b";")[0], 16)
        found += rest[:length]
        body = rest[length + 2 :]
    return bytes(found)


def reset(writer):
    """End a connection without a goodbye."""
    with contextlib.suppress(OSError, AttributeError):
        peer = writer.get_extra_info("socket")
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()


def wait_until(true, patience=PATIENCE, *, what):
    """Looks again and again until `true()`; TimeoutError naming `what` when it does not come about."""
    end = time.monotonic() + patience
    while not (found := true()):
        if time.monotonic() > end:
            raise TimeoutError(f"waited {patience} s for {what}")
        time.sleep(0.02)
    return found
