"""Fuzz the readers: `python tests/fuzz/fuzz.py [FORMAT …] --minutes 2 --finds DIR`.

One process a format reads files that are changed again and again, for as long as told. With atheris
(`pip install 'rillcast[fuzz]'`; not for every platform) changes that reach new code of the readers are kept
and changed further. Without it our own changes are made, and those are kept that make the reader say what it
did not say before. What should not happen (see `judge.py`) is written down once for each place in the code,
as small as it gets.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

#: Processor time: a busy machine makes no file slow.
SLOW_S = 10.0
#: Larger files find no more, only later.
MAX_BYTES = 12_000
#: How often a find is tried with something left out.
TRIES_TO_SHORTEN = 300

_PRINTABLE = rb"""1e300 -1e300 1e-300 1e999 NaN inf -1 0 1e7 % "" null [] {} EMPTY GEOMETRYCOLLECTION(
evenodd px mm url(# transform="scale(0)" href="#in" display:none \u0000 &#38; stroke-width="0.2" xml:space
CDATA A1,1,0,1,1, INSERT BLOCK ENDBLK SPLINE HATCH LWPOLYLINE"""
_OTHER = (
    b"\x00",
    b"\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\x80\x00\x00\x00",
    b"\x00\x04\x11\x00",
    b"\n999\n",
    b"\n  0\n",
)

#: What means something to one reader or another.
WORDS = (*_PRINTABLE.split(), *_OTHER)


class TooSlow(BaseException):
    """A file takes longer than any of its size may; nothing of the readers catches this."""


class Finds:
    """What should not have happened, one file for each place in the code.

    Args:
        folder: where they are written.
        name: of the format.
        judge: raises when reading a file ends as it must not.
    """

    def __init__(self, folder: Path, name: str, judge: Callable[[bytes], object]) -> None:
        self._folder, self._name, self._judge = folder, name, judge
        self._seen: set[str] = set()
        self._last = folder / f"{name}-last.bin"
        self.runs = 0

    def run(self, data: bytes) -> None:
        """Judge one file, and write it down if it is a find of a new kind."""
        self.runs += 1
        self._last.write_bytes(data)  # what a library that takes the process along leaves behind
        sign = self._sign(data)
        if sign is None or sign in self._seen:
            return
        self._seen.add(sign)
        data = self._shortened(data, sign)
        digest = hashlib.sha256(sign.encode()).hexdigest()[:10]
        path = self._folder / f"{self._name}-{digest}"
        path.with_suffix(".bin").write_bytes(data)
        path.with_suffix(".txt").write_text(f"{sign}\n\n{self._told(data)}")
        print(f"FIND {path.with_suffix('.bin')} ({len(data)} bytes): {sign}", flush=True)

    def _sign(self, data: bytes) -> str | None:
        """What goes wrong and where in our code, or None."""
        try:
            signal.setitimer(signal.ITIMER_PROF, SLOW_S)
            self._judge(data)
        except (Exception, TooSlow) as error:  # noqa: BLE001 (whatever it is: it is what is looked for)
            frames = traceback.extract_tb(error.__traceback__)
            ours = [f"{Path(f.filename).name}:{f.name}" for f in frames if "rillcast_service" in f.filename]
            # A slow file is interrupted anywhere: by the reader's own place, all such are one find.
            places = ours[2:4] if isinstance(error, TooSlow) else ours[-2:]
            words = re.sub(r"[\d.]+|'.*?'", "#", str(error))[:80] if isinstance(error, AssertionError) else ""
            return f"{type(error).__name__} in {' > '.join(places) or 'the judge'} {words}".strip()
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
        return None

    def _shortened(self, data: bytes, sign: str) -> bytes:
        """The same find in fewer bytes: leave out ever smaller pieces for as long as it stays one."""
        if sign.startswith("TooSlow"):
            return data
        tries, size = 0, len(data) // 2
        while size and tries < TRIES_TO_SHORTEN:
            at = 0
            while at < len(data) and tries < TRIES_TO_SHORTEN:
                tries += 1
                shorter = data[:at] + data[at + size :]
                if self._sign(shorter) == sign:
                    data = shorter
                else:
                    at += size
            size //= 2
        return data

    def _told(self, data: bytes) -> str:
        try:
            signal.setitimer(signal.ITIMER_PROF, SLOW_S)
            self._judge(data)
        except (Exception, TooSlow):  # noqa: BLE001
            return traceback.format_exc()
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
        return "It did not happen again."


def _too_slow(*_: object) -> None:
    raise TooSlow(f"longer than {SLOW_S:g} s")


# --- the process that reads one format ------------------------------------------------------------------


def one_format(name: str, *, seconds: float, folder: Path, dice: int) -> None:
    """Fuzz one format in this process."""
    signal.signal(signal.SIGPROF, _too_slow)
    try:
        import atheris
    except ImportError:
        atheris = None
        judge_module = _imported()
    else:
        with atheris.instrument_imports(include=["rillcast_service.engine.layout"]):
            judge_module = _imported()
    import seeds

    from rillcast_service.engine.layout.limits import Limits
    from rillcast_service.engine.layout.readers import MEDIA_TYPES

    media_type = next(kind for kind, form in MEDIA_TYPES.items() if form.name == name)
    limits = Limits(
        bytes_count=MAX_BYTES,
        elements_count=500,
        polygons_count=500,
        vertices_count=20_000,
        crossings_count=5_000,
    )
    finds = Finds(folder, name, lambda data: judge_module.check(data, media_type, limits=limits))
    first = [data for data in seeds.seeds(media_type) if len(data) <= MAX_BYTES]
    if atheris is None:
        _by_ourselves(finds, first, judge_module, media_type, seconds=seconds, dice=dice)
    else:
        _by_coverage(atheris, finds, first, seconds=seconds, folder=folder, dice=dice)


def _imported() -> Any:
    import judge

    return judge


def _by_coverage(
    atheris: Any, finds: Finds, first: list[bytes], *, seconds: float, folder: Path, dice: int
) -> None:
    corpus = Path(tempfile.mkdtemp(prefix="fuzz-"))
    for number, data in enumerate(first):
        (corpus / f"seed-{number}").write_bytes(data)
    words = corpus.with_suffix(".dict")
    escaped = ("".join(f"\\x{byte:02x}" for byte in word) for word in WORDS)
    words.write_text("".join(f'"{word}"\n' for word in escaped))
    options = [
        f"-max_total_time={max(1, int(seconds))}",
        f"-max_len={MAX_BYTES}",
        f"-dict={words}",
        f"-seed={dice}",
        "-rss_limit_mb=3000",
        f"-timeout={6 * SLOW_S:.0f}",  # a library that hangs hears no alarm of ours
        f"-artifact_prefix={folder}/crash-",
        "-print_final_stats=1",
    ]
    atheris.Setup([sys.argv[0], *options, str(corpus)], finds.run, enable_python_coverage=True)
    atheris.Fuzz()


def _by_ourselves(
    finds: Finds, first: list[bytes], judge: Any, media_type: str, *, seconds: float, dice: int
) -> None:
    from rillcast_service.engine.errors import EngineError

    print("atheris is not installed: the changes are our own, guided by what the reader says", flush=True)
    chance = random.Random(dice)
    corpus, said = list(first), set[str]()
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        data = changed(chance, corpus)
        finds.run(data)
        try:
            judge.reading(data, media_type)
            words = "read"
        except EngineError as error:
            words = re.sub(r"[\d.]+|'.*?'", "#", f"{type(error).__name__} {error}")[:120]
        except Exception:  # noqa: BLE001 (a find, which is written down already)
            continue
        if words not in said:
            said.add(words)
            corpus.append(data)
    print(f"stat::number_of_executed_units: {finds.runs}\ncov: {len(said)} different answers", flush=True)


def changed(chance: random.Random, corpus: list[bytes]) -> bytes:
    """A file of the corpus with some changes.

    Args:
        chance: decides.
        corpus: what to change and to take pieces from.
    """
    data = bytearray(chance.choice(corpus))
    for _ in range(chance.choice((1, 1, 2, 3, 6))):
        at = chance.randrange(len(data) + 1)
        other = chance.choice(corpus)
        piece = chance.randrange(len(other) + 1)
        match chance.randrange(6):
            case 0 if at < len(data):
                data[at] ^= 1 << chance.randrange(8)
            case 1:
                del data[at : at + chance.choice((1, 2, 4, 30, 300))]
            case 2:
                data[at:at] = other[piece : piece + chance.choice((1, 4, 30, 300))]
            case 3:
                data[at : at + chance.choice((0, 1, 4))] = chance.choice(WORDS)
            case 4:
                numbers = list(re.finditer(rb"-?\d+(\.\d+)?", data))
                if numbers:
                    number = chance.choice(numbers)
                    data[number.start() : number.end()] = chance.choice(WORDS[:9])
            case _:
                data[at : at + 8] = chance.randbytes(chance.choice((1, 2, 4, 8)))
    return bytes(data[:MAX_BYTES])


# --- the process that looks after them ------------------------------------------------------------------


def look_after(name: str, *, minutes: float, folder: Path) -> bool:
    """Fuzz one format for a time, again after each crash. Returns whether nothing was found."""
    print(f"== {name}, {minutes:g} min", flush=True)
    began, left, clean, dice, runs = time.monotonic(), 60.0 * minutes, True, 1, 0
    coverage = "?"
    while left > 1.0:
        command = [sys.executable, __file__, name, "--one", "--finds", str(folder)]
        command += ["--seconds", f"{left:.0f}", "--dice", str(dice)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as process:
            assert process.stdout is not None
            # Late, as a process of low priority ends late on a busy machine.
            watch = threading.Timer(left + 30 * SLOW_S, process.kill)
            watch.start()
            last: list[str] = []
            for line in _lines(process.stdout):
                last = [*last[-30:], line]
                if line.startswith("FIND"):
                    clean = False
                    print(line, flush=True)
                elif found := re.search(r"\bcov: (\d+.*?)(?: corp|$)", line):
                    coverage = found[1]
                if found := re.match(r"stat::number_of_executed_units:\s*(\d+)", line):
                    runs += int(found[1])
            code = process.wait()
            watch.cancel()
        left = 60.0 * minutes - (time.monotonic() - began)
        if code != 0:
            clean = False
            last_file, kept = folder / f"{name}-last.bin", folder / f"{name}-end-{dice}.bin"
            file = f"on {last_file.rename(kept)}" if last_file.exists() else "before its first file"
            words = f"the process ended with code {code} {file}; its last words:"
            print("\n".join([words, *last]), flush=True)
        dice += 1
    (folder / f"{name}-last.bin").unlink(missing_ok=True)
    print(f"{name}: {runs} executions, coverage {coverage}, {'no finds' if clean else 'FINDS'}", flush=True)
    return clean


def _lines(stream: Any) -> Iterator[str]:
    for raw in stream:
        yield raw.decode(errors="replace").rstrip()


def main() -> int:
    """The command. Returns 1 when there were finds."""
    from rillcast_service.engine.layout.readers import MEDIA_TYPES

    names = [form.name for form in MEDIA_TYPES.values()]
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("formats", nargs="*", help=f"of {', '.join(names)}; all when none is named")
    parser.add_argument("--minutes", type=float, default=2.0, help="for each format")
    parser.add_argument("--finds", type=Path, default=Path("fuzz-finds"), help="folder of what is found")
    options = parser.parse_args()
    unknown = set(options.formats) - set(names)
    if unknown:
        parser.error(f"no format {', '.join(sorted(unknown))}; there are {', '.join(names)}")
    folder = options.finds.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    clean = [look_after(name, minutes=options.minutes, folder=folder) for name in options.formats or names]
    return 0 if all(clean) else 1


if __name__ == "__main__":
    if "--one" in sys.argv:
        # Before anything of the readers is imported, so that atheris sees all of it.
        known = argparse.ArgumentParser()
        known.add_argument("name")
        known.add_argument("--one", action="store_true")
        known.add_argument("--finds", type=Path)
        known.add_argument("--seconds", type=float)
        known.add_argument("--dice", type=int)
        asked = known.parse_args()
        os.nice(max(0, 10 - os.nice(0)))
        one_format(asked.name, seconds=asked.seconds, folder=asked.finds, dice=asked.dice)
    else:
        sys.exit(main())
