"""Which boxes are there, and the one that a command means."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from barbox.errors import BoxError, UserError
from barbox.link.base import Link
from barbox.link.client import Client
from barbox.records import Identity

PORTS_VARIABLE = "BARBOX_PORTS"  # more ports to look at, separated as in PATH


@dataclass(frozen=True)
class Candidate:
    """A port that may lead to a box. `what` says where it comes from."""

    url: str
    what: str


@dataclass
class Probe:
    """What was found on a candidate: an open client, or the error that says why not."""

    candidate: Candidate
    client: Client | None = None
    error: BoxError | None = None

    @property
    def identity(self) -> Identity | None:
        """What the box said of itself."""
        return self.client.identity if self.client else None


def link_for(url: str) -> Link:
    """The link of a `--box` URL: `serial:PATH` or a bare path. Raises UserError for another kind."""
    scheme, colon, rest = url.partition(":")
    if not url or (colon and scheme == "serial" and not rest):
        raise UserError("--box names no port; write --box serial:PATH, or see `barbox boxes`")
    if colon and scheme == "ble":
        raise UserError(f"--box {url}: this version talks over serial ports only; write --box serial:PATH")
    from barbox.link.serial import SerialLink

    return SerialLink(url)


def candidates() -> list[Candidate]:
    """Ports worth a hello: USB serial ports, simulated boxes of this user, and those in BARBOX_PORTS.

    A port that is not USB (a modem, a console) is not spoken to unless it is named.
    """
    from serial.tools import list_ports

    found = [Candidate(port, name) for port, name in sim_ports()]
    found += [Candidate(p.device, p.description or "USB") for p in sorted(list_ports.comports()) if p.vid]
    found += [
        Candidate(path, PORTS_VARIABLE)
        for path in os.environ.get(PORTS_VARIABLE, "").split(os.pathsep)
        if path
    ]
    once: dict[str, Candidate] = {}
    for candidate in found:
        once.setdefault(os.path.realpath(candidate.url.removeprefix("serial:")), candidate)
    return list(once.values())


async def probe(
    among: list[Candidate], *, timeout_s: float = 0.5, tries: int = 3, silence_s: float | None = 2.0
) -> list[Probe]:
    """Say hello to all of them at once, for at most timeout_s * tries. The caller closes the clients."""

    async def one(candidate: Candidate) -> Probe:
        try:
            client = Client(link_for(candidate.url), timeout_s=timeout_s, tries=tries, silence_s=silence_s)
            await client.open()
        except BoxError as error:
            return Probe(candidate, error=error)
        except UserError as error:
            return Probe(candidate, error=BoxError(str(error)))
        return Probe(candidate, client)

    return list(await asyncio.gather(*[one(c) for c in among]))


async def open_box(
    url: str | None = None, *, timeout_s: float = 0.5, tries: int = 3, silence_s: float | None = 2.0
) -> Client:
    """The box at `url`, or the only one there is, open. Raises BoxError in one sentence, UserError for the URL."""
    if url is not None:
        client = Client(link_for(url), timeout_s=timeout_s, tries=tries, silence_s=silence_s)
        await client.open()
        return client
    probes = await probe(candidates(), timeout_s=timeout_s, tries=tries, silence_s=silence_s)
    clients = [p.client for p in probes if p.client]
    if len(clients) == 1:
        return clients[0]
    for client in clients:
        await client.close()
    if clients:
        names = ", ".join([f"{c.link.url} ({c.identity.serial})" for c in clients])
        raise BoxError(f"{len(clients)} boxes are there, say which with --box: {names}")
    raise BoxError(none_found(probes))


def none_found(probes: list[Probe]) -> str:
    """One sentence for a search that found no box."""
    what = "plug a box in by USB, start `barbox sim`, or name its port with --box"
    if not probes:
        return f"no box was found: {what}"
    return f"no box was found ({'; '.join([str(p.error) for p in probes])}): {what}"


def sim_ports_dir() -> Path:
    """Where simulated boxes of this user publish their ports: under XDG_RUNTIME_DIR, else the temp directory."""
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    if runtime:
        return Path(runtime) / "barbox"
    user = os.getuid() if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")
    return Path(tempfile.gettempdir()) / f"barbox-{user}"


def publish_sim_port(path: str, name: str) -> Callable[[], None]:
    """Let other commands of this user find a simulated box at `path`; returns what takes it back.

    The file stays locked while this process lives, so that one left by a crash is known as stale.
    Raises BoxError when the directory cannot be used.
    """
    import fcntl

    folder = sim_ports_dir()
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _ours(folder):
            raise PermissionError(f"{folder} belongs to somebody else")
        fd, beside = tempfile.mkstemp(prefix=".", dir=folder)
        fcntl.flock(fd, fcntl.LOCK_EX)
        os.write(fd, json.dumps({"name": name, "port": path}).encode())
        entry = folder / f"{os.getpid()}-{os.path.basename(beside)[1:]}.json"
        os.rename(beside, entry)
    except OSError as error:
        raise BoxError(f"cannot publish the port of the simulated box: {error}") from error

    def cleanup() -> None:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(entry)
        with contextlib.suppress(OSError):
            os.close(fd)

    return cleanup


def sim_ports() -> list[tuple[str, str]]:
    """(port, name) of the simulated boxes of this user that run now; stale entries are removed."""
    folder = sim_ports_dir()
    if os.name == "nt" or not _ours(folder):
        return []
    return sorted(_live_entries(folder))


def _live_entries(folder: Path) -> Iterator[tuple[str, str]]:
    import fcntl

    for entry in folder.glob("*.json"):
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError), entry.open("rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                said = json.load(file)
                if os.path.exists(said["port"]):
                    yield str(said["port"]), str(said["name"])
            else:
                entry.unlink()


def _ours(folder: Path) -> bool:
    try:
        return folder.lstat().st_uid == os.getuid() and folder.is_dir() and not folder.is_symlink()
    except (OSError, AttributeError):
        return False
