"""Chunks handed to this process, to processes of its own, and to a real Dask scheduler with two worker processes.

What comes back must be the same to the last bit whoever computed it. It is checked against the same function called
here, one chunk after the other: whether the figures themselves are right is for the tests of `leadline.many.batch`.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import itertools
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numba
import pytest

from leadline.dive_file import DiveFileError
from leadline.dive_file.errors import Problem
from leadline.many import workers
from leadline.many.workers import run
from leadline.tissue.fault import EngineFault
from tests.sweep import chunks

PATHS = os.pathsep.join(filter(None, [str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH")]))
"""Where the chunks are found by other processes."""
DIVE = Path(__file__).parents[2] / "examples" / "marigold-trimix.toml"
AXES = """
[sweep]
contingencies = true

[[sweep.axes]]
key = "levels.1.leave_at"
from = 16
to = 23
step = 1

[[sweep.axes]]
key = "diver.rmv_bottom"
from = 15
to = 22
step = 1
"""
PATIENCE_S = 120.0
"""Nothing here takes a tenth of it, except on a machine with much else to do."""
POSIX = pytest.mark.skipif(os.name != "posix", reason="signals")


def until(is_so: Callable[[], Any], what: str) -> Any:
    """Wait for something; what it is then."""
    end = time.monotonic() + PATIENCE_S
    while not (found := is_so()):
        assert time.monotonic() < end, f"waited {PATIENCE_S:g} s for {what}"
        time.sleep(0.05)
    return found


def numbered(count: int) -> Iterator[tuple[int, int]]:
    """So many chunks; their value is their number."""
    return ((i, i) for i in range(count))


@dataclass
class Cluster:
    """Processes of Dask on loopback."""

    folder: Path
    started: list[subprocess.Popen[bytes]] = field(default_factory=list)
    address: str = ""

    def start(self, role: str, *args: str, first: str = "", **environment: str) -> subprocess.Popen[bytes]:
        """Start `dask scheduler` or `dask worker`, in a group of processes of its own; `first` runs before it."""
        code = f"{first}\nfrom distributed.cli.dask_{role} import main\nif __name__ == '__main__': main()"
        with (self.folder / f"{role}-{len(self.started)}.log").open("wb") as log:
            made = subprocess.Popen(
                [sys.executable, "-c", code, "--host", "127.0.0.1", "--no-dashboard", *args],
                cwd=self.folder,
                env={
                    **os.environ,
                    "PYTHONPATH": PATHS,
                    "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1",
                    **environment,
                },
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self.started.append(made)
        return made

    def scheduler(self, first: str = "") -> subprocess.Popen[bytes]:
        """Start a scheduler at a free port."""
        file = self.folder / "scheduler.json"
        made = self.start("scheduler", "--port", "0", "--no-show", "--scheduler-file", str(file), first=first)

        def address() -> str:
            with contextlib.suppress(OSError, ValueError):
                return str(json.loads(file.read_text())["address"])
            return ""

        self.address = until(address, "a scheduler")
        return made

    def worker(self, *args: str, first: str = "", **environment: str) -> subprocess.Popen[bytes]:
        """Start a worker, of one thread if `args` say nothing else."""
        return self.start(
            "worker", self.address, "--nthreads", "1", "--local-directory", str(self.folder), *args,
            first=first, **environment,
        )  # fmt: skip

    def end(self) -> None:
        """End every process, and what they started."""
        for made in self.started:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(made.pid, signal.SIGKILL)
            made.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """A scheduler and two workers."""
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    try:
        made.scheduler()
        made.worker()
        made.worker()
        until(lambda: len(threads_at(made.address)) == 2, "two workers")
        yield made
    finally:
        made.end()


@pytest.fixture
def lonely(tmp_path):
    """A scheduler without workers, on a machine without Leadline."""
    made = Cluster(tmp_path)
    try:
        made.scheduler(first="import sys; sys.modules['leadline'] = None")
        yield made
    finally:
        made.end()


def threads_at(address: str) -> dict[str, int]:
    """What a scheduler says of its workers."""
    from distributed import Client

    with Client(address, set_as_default=False, timeout=PATIENCE_S) as client:
        return dict(client.nthreads())


@pytest.fixture(scope="module")
def right():
    """What comes of 24 chunks, computed here on one thread."""
    allowed = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        return [chunks.swum(i) for i in range(24)]
    finally:
        numba.set_num_threads(allowed)


# --- The same bits, whoever computes them -----------------------------------------------------------------------------


def test_no_two_chunks_are_alike(right):
    """Or mixing them up would not be seen."""
    assert len(set(right)) == len(right)


@pytest.mark.parametrize("threads", [1, 2])
def test_threads(right, threads):
    allowed = numba.get_num_threads()
    if threads > allowed:
        pytest.skip("one core")
    numba.set_num_threads(threads)
    try:
        assert dict(run(chunks.swum, numbered(24))) == dict(enumerate(right))
    finally:
        numba.set_num_threads(allowed)


@pytest.mark.parametrize("most", [1, 2])
def test_processes(most):
    """Each uses one core."""
    allowed = numba.get_num_threads()
    numba.set_num_threads(min(most, allowed))
    try:
        found = dict(run(chunks.scheduled_on_one_core, ((i, i) for i in range(8, 40)), processes=True))
    finally:
        numba.set_num_threads(allowed)
    assert {i: plan for i, (_, _, plan) in found.items()} == {i: chunks.scheduled(i) for i in range(8, 40)}
    assert {threads for _, threads, _ in found.values()} == {1}
    by = {process for process, _, _ in found.values()}
    assert os.getpid() not in by
    assert len(by) <= most


@POSIX
def test_a_worker_is_killed_in_mid_run(cluster, right, tmp_path):
    """It had a chunk, and chunks that it had finished; nobody can tell from the result."""
    killed = []

    def kill() -> None:
        held = tmp_path / "held"
        until(lambda: held.exists() and held.read_text().endswith("\n"), "a worker that has chunk 5")
        killed.append(int(held.read_text()))
        os.kill(killed[0], signal.SIGKILL)

    killer = threading.Thread(target=kill)
    killer.start()
    found = dict(run(partial(chunks.held_up, tmp_path), numbered(24), cluster.address))
    killer.join()
    assert {number: content for number, (_, _, content) in found.items()} == dict(enumerate(right))
    assert found[5][0] != killed[0]
    assert os.getpid() not in {process for process, _, _ in found.values()}
    assert {threads for _, threads, _ in found.values()} == {1}  # as many as the worker has


@POSIX
def test_the_command(cluster, tmp_path):
    """`leadline sweep --workers`, a worker killed while it plans: the file is the one that this machine alone makes."""
    from distributed import Client

    (tmp_path / "saltby.toml").write_text(f"{DIVE.read_text()}\n{AXES}")
    command = [sys.executable, "-c", "from leadline.cli.main import run; run()", "sweep", "saltby.toml", "-o"]
    here = subprocess.run(
        [*command, "here.parquet"], cwd=tmp_path, capture_output=True, timeout=PATIENCE_S, check=False
    )
    assert here.returncode == 0, here.stderr
    with (
        Client(cluster.address, set_as_default=False, timeout=PATIENCE_S) as client,
        (tmp_path / "log").open("wb") as log,
        subprocess.Popen(
            [*command, "there.parquet", "--workers", cluster.address], cwd=tmp_path, stdout=log, stderr=log
        ) as there,
    ):
        try:
            until(lambda: there.poll() or list(tmp_path.glob("there.parquet.parts/*.parquet")), "a finished part")
            assert there.poll() is None, (tmp_path / "log").read_text()
            busy = until(lambda: [worker for worker, keys in client.processing().items() if keys], "a worker at work")
            [process] = client.run(os.getpid, workers=busy[:1]).values()
            assert client.processing()[busy[0]]
            assert there.poll() is None
            os.kill(process, signal.SIGKILL)
            assert there.wait(PATIENCE_S) == 0, (tmp_path / "log").read_text()
        finally:
            there.kill()
    assert (tmp_path / "there.parquet").read_bytes() == (tmp_path / "here.parquet").read_bytes()
    assert not (tmp_path / "there.parquet.parts").exists()


def test_a_worker_of_several_threads(lonely, right):
    """Chunks are on several threads of a worker at once, in Numba's own threads, which abort the process if two enter
    them; the kernel uses as many threads as the worker may."""
    worker = lonely.worker("--nthreads", "4", NUMBA_THREADING_LAYER="workqueue", NUMBA_NUM_THREADS="3")
    found = dict(run(chunks.looked, numbered(6), lonely.address))
    assert {i: one.content for i, one in found.items()} == {i: b"".join(right[4 * i : 4 * i + 4]) for i in range(6)}
    assert len({one.process for one in found.values()}) == 1, (lonely.folder / "worker-1.log").read_text()
    pairs = itertools.combinations(found.values(), 2)
    assert any(a.thread != b.thread and max(a.began_s, b.began_s) < min(a.ended_s, b.ended_s) for a, b in pairs)
    assert {one.kernel_threads for one in found.values()} == {3}
    assert worker.poll() is None


# --- Few at a time, and an end ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("where", ["here", "processes", "cluster"])
def test_any_number_of_chunks(request, where):
    """They are taken as they are needed."""
    address = request.getfixturevalue("cluster").address if where == "cluster" else None
    taken = itertools.count()
    made = run(chunks.doubled, ((i, i) for i in taken), address, processes=where == "processes")
    with contextlib.closing(made):
        first = list(itertools.islice(made, 60))
    assert len({number for number, _ in first}) == 60
    assert all(found == 2 * number for number, found in first)
    assert next(taken) <= 60 + 3 * max(2, numba.get_num_threads())


@pytest.mark.parametrize("where", ["processes", "cluster"])
def test_closed(request, tmp_path, where):
    """What is waiting then is never begun, whenever those that compute have time for it."""
    from distributed import Client

    address = request.getfixturevalue("cluster").address if where == "cluster" else None
    work = partial(chunks.stuck, tmp_path)
    made = run(work, ((i, i) for i in itertools.count()), address, processes=where == "processes")
    assert next(made) == (0, 0)
    made.close()
    if address is not None:
        with Client(address, set_as_default=False, timeout=PATIENCE_S) as client:
            until(lambda: not any(client.processing().values()), "the scheduler to forget what waits")
    time.sleep(0.5)
    (tmp_path / "go").touch()
    time.sleep(1.0)
    assert len([file for file in tmp_path.iterdir() if file.name != "go"]) <= 1 + max(2, numba.get_num_threads())
    assert list(made) == []


@POSIX
@pytest.mark.parametrize("where", ["here", "processes", "cluster"])
def test_interrupted(request, tmp_path, where):
    """Ctrl-C reaches every process of the terminal: none is left, none has more to say than it should."""
    address = request.getfixturevalue("cluster").address if where == "cluster" else None
    script = tmp_path / "script.py"
    script.write_text(
        "import itertools, sys\n"
        "from functools import partial\n"
        "from pathlib import Path\n"
        "from leadline.many.workers import run\n"
        "from tests.sweep.chunks import begun\n"
        "if __name__ == '__main__':\n"
        f"    work = partial(begun, Path({str(tmp_path / 'begun')!r}))\n"
        f"    many = ((i, i) for i in itertools.count())\n"
        "    try:\n"
        f"        for number, _ in run(work, many, {address!r}, processes={where == 'processes'}):\n"
        "            print(number, flush=True)\n"
        "    except KeyboardInterrupt:\n"
        "        sys.exit(130)\n"
    )
    (tmp_path / "begun").mkdir()
    with (tmp_path / "out").open("wb") as out, (tmp_path / "err").open("wb") as err:
        command = subprocess.Popen(
            [sys.executable, str(script)],
            env={**os.environ, "PYTHONPATH": PATHS},
            stdout=out,
            stderr=err,
            start_new_session=True,
        )
    try:
        until(lambda: command.poll() or (tmp_path / "out").read_text().count("\n") >= 2, "two chunks")
        assert command.poll() is None, (tmp_path / "err").read_text()
        os.killpg(command.pid, signal.SIGINT)
        assert command.wait(PATIENCE_S) == 130
        assert (tmp_path / "err").read_text() == ""

        def is_alone() -> bool:
            try:
                os.killpg(command.pid, 0)
            except ProcessLookupError:
                return True
            return False

        until(is_alone, "all processes to end")
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(command.pid, signal.SIGKILL)
        command.wait()


# --- What goes wrong in a chunk ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("where", "work", "kind"),
    [
        ("here", chunks.refused, DiveFileError),
        ("processes", chunks.refused, DiveFileError),
        ("processes", chunks.untrusted, EngineFault),
        ("cluster", chunks.refused, DiveFileError),
        ("cluster", chunks.untrusted, EngineFault),
        ("cluster", chunks.full, TimeoutError),
    ],
)
def test_errors_keep_their_type(request, where, work, kind):
    address = request.getfixturevalue("cluster").address if where == "cluster" else None
    with pytest.raises(kind) as raised:
        list(run(work, numbered(3), address, processes=where == "processes"))
    if work is chunks.refused:
        assert raised.value.source == "saltby.toml"
        assert raised.value.problems == (Problem("[site] water", "is wrong"), Problem("", "is wrong too"))
    elif work is chunks.full:
        assert raised.value.strerror == "of the chunk's own"


@POSIX
def test_a_process_that_dies():
    with pytest.raises(DiveFileError, match=r"^a process ended while it computed chunk 3 \(signal 9\); "):
        list(run(chunks.deadly, numbered(9), processes=True))


@POSIX
def test_a_chunk_that_kills_workers(cluster):
    """It is given up, and what was finished is there."""
    made = run(chunks.deadly, ((i, i) for i in (3, 4, 5, 6)), cluster.address)
    with pytest.raises(
        DiveFileError, match=r"^--workers: workers ended 2 times while they had chunk \d, the last of them"
    ):
        list(made)
    until(lambda: len(threads_at(cluster.address)) == 2, "the workers to be back")
    assert dict(run(chunks.doubled, numbered(3), cluster.address)) == {0: 0, 1: 2, 2: 4}


# --- Who is asked -----------------------------------------------------------------------------------------------------


def refusal(address: str) -> str:
    """How an address is refused: at once, and before a chunk is taken."""
    with pytest.raises(DiveFileError) as raised:
        run(chunks.doubled, iter([None]), address)  # type: ignore[list-item]
    [problem] = raised.value.problems
    assert raised.value.source == "--workers"
    return problem.message


@pytest.mark.parametrize(
    "address",
    [
        "", "saltby", "127.0.0.1:8786", "tcp://127.0.0.1", "tcp://:8786", "tcp://127.0.0.1:0", "tcp://127.0.0.1:99999",
        "tcp://127.0.0.1:port", "http://127.0.0.1:8786", "tcp://127.0.0.1:8786/x", "tcp://127.0.0.1:8786?x", "tcp://[::1",
        "tcp://127.0.0.1:8786\n", "tcp://" + 5000 * "x",
    ],
)  # fmt: skip
def test_no_address(address):
    said = refusal(address)
    assert "is no address of a scheduler; give one as tcp://192.0.2.7:8786" in said
    assert len(said) < 200


def test_nobody_there():
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))  # so that nobody else listens there
        there = f"tcp://127.0.0.1:{deaf.getsockname()[1]}"
        said = refusal(there)
    why = os.strerror(errno.ECONNREFUSED)
    assert said == f"no Dask scheduler answers at {there} ({why}); start one: dask scheduler"


def test_somebody_silent_there(monkeypatch):
    monkeypatch.setattr(workers, "ANSWER_S", 1.0)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        said = refusal(f"tcp://127.0.0.1:{silent.getsockname()[1]}")
    assert "(nothing is said there within 1 s)" in said


@pytest.mark.parametrize("greeting", [b"SSH-2.0-x\r\n", b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\0" * 64])
def test_somebody_else_there(greeting):
    with socket.create_server(("127.0.0.1", 0)) as server:

        def greet() -> None:
            for _ in range(2):
                with server.accept()[0] as line:
                    line.sendall(greeting)
                    line.settimeout(1.0)
                    with contextlib.suppress(OSError):
                        line.recv(1 << 16)

        other = threading.Thread(target=greet)
        other.start()
        said = refusal(f"tcp://127.0.0.1:{server.getsockname()[1]}")
        other.join()
    assert said.startswith("no Dask scheduler answers at tcp://127.0.0.1:")


def test_in_a_notebook(cluster):
    """Where a loop of events runs already."""

    async def cell() -> dict[int, int]:
        return dict(run(chunks.doubled, numbered(3), cluster.address))

    assert asyncio.run(cell()) == {0: 0, 1: 2, 2: 4}


def test_a_worker_is_no_scheduler(cluster):
    worker = next(iter(threads_at(cluster.address)))
    assert refusal(worker) == f"{worker} is a Dask worker; give the address that its scheduler printed"


def test_certificates_are_missing(cluster):
    said = refusal(cluster.address.replace("tcp", "tls"))
    assert "(its certificates are set in Dask's configuration)" in said


def test_dask_is_not_installed(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    said = refusal("tcp://127.0.0.1:8786")
    assert said.startswith("needs Dask, which is not installed here")
    assert said.endswith("; pip install 'leadline[workers]'")


def test_another_dask(cluster, monkeypatch):
    monkeypatch.setattr(workers, "version", lambda name: "2020.1.0")
    said = refusal(cluster.address)
    assert said.startswith(f"the scheduler at {cluster.address} has Dask 202")
    assert said.endswith(", and here is 2020.1.0; install the same on both")


def test_another_leadline(cluster, monkeypatch):
    """The worker looks at itself; what this process says it has is what it must have."""
    mark = workers._mark()
    monkeypatch.setattr(workers, "_mark", lambda: {**mark, "Leadline": "0.1.0"})
    with pytest.raises(DiveFileError) as raised:
        list(run(chunks.doubled, numbered(3), cluster.address))
    [said] = raised.value.lines()
    assert f"(Leadline {mark['Leadline']}, here 0.1.0); install the same versions on every machine" in said


def test_rounding_is_told_apart(monkeypatch):
    """An exponential that is off by its last bit somewhere is another processor's."""
    import numpy as np

    as_it_is, expm1 = workers._rounding(), np.expm1
    assert as_it_is == workers._rounding()
    monkeypatch.setattr(np, "expm1", lambda x: np.where(np.arange(len(x)) == 7, np.nextafter(expm1(x), 0), expm1(x)))
    assert as_it_is != workers._rounding()


def test_no_workers(lonely, monkeypatch):
    """They are waited for. Then: a worker without Leadline, and one that comes while it is waited for."""
    told: list[str] = []
    monkeypatch.setattr(workers, "WORKERS_S", 0.2)
    with pytest.raises(
        DiveFileError, match=rf"no worker came to {lonely.address} within 0.2 s; start some: dask worker"
    ):
        list(run(chunks.doubled, numbered(3), lonely.address, told=told.append))
    assert told == [f"No workers at {lonely.address}; waiting up to 0.2 s for one ..."]

    monkeypatch.setattr(workers, "WORKERS_S", PATIENCE_S)
    bare = lonely.worker("--no-nanny", first="import sys; sys.modules['leadline'] = None")
    with pytest.raises(DiveFileError, match=rf"a worker of {lonely.address} has not this Leadline"):
        list(run(chunks.doubled, numbered(3), lonely.address))
    bare.kill()
    until(lambda: not threads_at(lonely.address), "the worker to be gone")

    def say(line: str) -> None:
        told.append(line)
        lonely.worker("--no-nanny")

    assert dict(run(chunks.doubled, numbered(3), lonely.address, told=say)) == {0: 0, 1: 2, 2: 4}
    assert len(told) == 2


@POSIX
def test_the_scheduler_is_lost(tmp_path):
    """In mid-run. What came before is good; somebody waits for the rest no longer than a moment."""
    made = Cluster(tmp_path)
    try:
        scheduler = made.scheduler()
        made.worker("--no-nanny")
        results = run(chunks.doubled, ((i, i) for i in itertools.count()), made.address)
        found = list(itertools.islice(results, 5))
        scheduler.kill()
        with pytest.raises(DiveFileError, match=rf"^--workers: the scheduler at {made.address} is lost"):
            found.extend(results)
    finally:
        made.end()
    assert len(found) >= 5
    assert all(twice == 2 * number for number, twice in found)
