"""What the recorder survives: ``python -m tests.benchmarks.bench_faults [--short] [--seed N]``.

A real recorder process is killed, its device unplugged and restarted, its lines damaged; a table at the end says what was tried, what
survived and what was lost. Everything random comes from the seed.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logger.clock import DeviceClock
from logger.kept import list_sessions, recover_unfinished
from logger.lines import LineParser, with_checksum
from logger.recorder import Status, record
from logger.virtual import VirtualDevice

RATE_HZ = 500.0


@dataclass(frozen=True, kw_only=True)
class Row:
    """One kind of fault.

    Attributes
    ----------
    fault : str
        What was done.
    tried, survived : int
        How often; how often every reading kept was right and the loss within bounds.
    worst_loss_s : float
        Most that one fault cost [s of readings].
    note : str
        What else to know.
    """

    fault: str
    tried: int
    survived: int
    worst_loss_s: float
    note: str = ""


def _trace(seconds: float) -> tuple[np.ndarray, np.ndarray]:
    t_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return t_s, np.round(600.0 + 20.0 * np.sin(t_s), 2)


def _wait(condition: Callable[[], bool], seconds: float = 30.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > deadline:
            msg = "the recorder did not come so far in time"
            raise RuntimeError(msg)
        time.sleep(0.001)


def kills(count: int, rng: random.Random) -> Row:
    """SIGKILL at random instants while a device sends in real time."""
    t_s, p_kpa = _trace(60.0)
    survived, worst = 0, 0.0
    for _ in range(count):
        with tempfile.TemporaryDirectory() as home, VirtualDevice(t_s, {"tool": p_kpa}, rate_hz=RATE_HZ) as device:
            code = f"from logger.recorder import record; record(port={device.port!r}, home={home!r}, name='deck')"
            with subprocess.Popen([sys.executable, "-c", code], start_new_session=True) as process:
                wanted = rng.uniform(1.0, 1.5 * RATE_HZ)
                _wait(lambda wanted=wanted, device=device: device.sent > wanted)  # type: ignore[misc]
                process.send_signal(signal.SIGKILL)
                sent = device.sent
                process.wait()
            recover_unfinished(home)
            found = list_sessions(home)
            kept = found[0].count if found else 0
            right = kept == 0 or bool((found[0].raw["tool"] == p_kpa[:kept]).all())
            loss_s = max(sent - kept, 0) / RATE_HZ
            worst = max(worst, loss_s)
            survived += right and loss_s <= 0.5
    return Row(fault="SIGKILL at a random instant", tried=count, survived=survived, worst_loss_s=worst)


def plugs(count: int, rng: random.Random, *, restart: bool) -> Row:
    """Unplug the device and plug it in again, its clock running on or starting again, in one recording."""
    pieces = [_trace(rng.uniform(0.3, 1.5)) for _ in range(count + 1)]
    slowest, gone_on = 0.0, 0
    with tempfile.TemporaryDirectory() as folder:
        link = Path(folder) / "board"
        status: list[Status] = []
        stop = threading.Event()
        at_us = 1_000_000
        link.symlink_to(os.devnull)
        worker: threading.Thread | None = None
        sent: list[float] = []
        for i, (t_s, p_kpa) in enumerate(pieces):
            device = VirtualDevice(t_s, {"tool": p_kpa}, speed=20.0, ends=False, start_us=at_us)
            with device:
                link.unlink()
                link.symlink_to(device.port)
                back = time.monotonic()
                if worker is None:
                    options = {"port": os.fspath(link), "home": folder, "stop": stop, "on_status": status.append}
                    worker = threading.Thread(target=record, kwargs=options)
                    worker.start()
                _wait(lambda device=device: device.sent > 0)  # type: ignore[misc]
                if i:
                    slowest = max(slowest, time.monotonic() - back)
                sent += p_kpa.tolist()
                before = status[-1].readings if status else 0
                expected = before + t_s.size - (restart and i > 0)  # the first stamp after a restart is believed with the second only
                _wait(lambda expected=expected: bool(status) and status[-1].readings >= expected)  # type: ignore[misc]
                gone_on += i > 0
            at_us = rng.randrange(1000, 500_000) if restart else (at_us + int(t_s[-1] * 1e6) + 2_000_000) % 2**32
        stop.set()
        assert worker is not None
        worker.join(30.0)
        (session,) = list_sessions(folder)
        times, kept = session.raw["time_s"], session.raw["tool"]
        lost = len(sent) - kept.size
        good = bool((np.diff(times) > 0).all()) and lost <= (count if restart else 0)
    return Row(
        fault="board restarted" if restart else "unplugged and back",
        tried=count,
        survived=gone_on if good else 0,
        worst_loss_s=lost / max(count, 1) / RATE_HZ,
        note=f"{lost} readings lost in all; back within {slowest:.2f} s",
    )


def fuzz(count: int, rng: random.Random) -> Row:
    """Damage lines: one bit, bytes lost, lines torn and run together, garbage between; count readings that nobody sent."""
    parser, clock = LineParser(), DeviceClock(unit_s=1e-6)
    parser.feed(b"\n#farend columns=t_us,a0,a1 unit=counts checksum=xor\n")
    false, accepted, done = 0, 0, 0
    while done < count:
        lines = [(4000 * (done + i), rng.randrange(1024), rng.randrange(1024)) for i in range(1000)]
        truth = {(float(t), float(a), float(b)) for t, a, b in lines}
        out = bytearray()
        for t, a, b in lines:
            line = bytearray(with_checksum(f"{t},{a},{b}").encode() + b"\n")
            kind = rng.randrange(8)
            if kind == 0:
                line[rng.randrange(len(line))] ^= 1 << rng.randrange(8)
            elif kind == 1:
                del line[rng.randrange(len(line))]
            elif kind == 2:
                del line[rng.randrange(len(line)) :]
            elif kind == 3:
                line += rng.randbytes(rng.randrange(30)).replace(b"#", b"!") + b"\n"
            elif kind == 4:
                start = rng.randrange(len(line))
                line[start : start + 3] = rng.randbytes(3)
            out += line
        rows = parser.feed(bytes(out))
        assert rows.device is not None
        good = np.isfinite(clock.feed(rows.device, 4e-3 * (done + 1000)))
        got = list(zip(rows.device[good].tolist(), *rows.values[good].T.tolist(), strict=True))
        false += sum(row not in truth for row in got)
        accepted += len(got)
        done += 1000
    # Eight bits of XOR let one in some hundred of badly damaged lines through; most of those have a time that fits nothing.
    return Row(fault="damaged line", tried=count, survived=count - false, worst_loss_s=0.0, note=f"{accepted} accepted, {false} never sent")


def main() -> None:
    """Run all and print a table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--short", action="store_true")
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    rng = random.Random(given.seed)
    few = given.short
    rows = [fuzz(20_000 if few else 1_000_000, rng)]
    if os.name == "posix":
        rows += [kills(3 if few else 200, rng), plugs(5 if few else 50, rng, restart=False), plugs(5 if few else 50, rng, restart=True)]
    print(f"{'fault':<32}{'tried':>9}{'survived':>10}{'worst loss':>12}  note")
    for row in rows:
        worst = "" if math.isnan(row.worst_loss_s) else f"{row.worst_loss_s:.3f} s"
        print(f"{row.fault:<32}{row.tried:>9}{row.survived:>10}{worst:>12}  {row.note}")


if __name__ == "__main__":
    main()
