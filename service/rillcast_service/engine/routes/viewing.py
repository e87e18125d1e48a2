"""Which way round a route makes a chip, and what lies between its marks and the eye."""

from __future__ import annotations

from dataclasses import dataclass

from rillcast_service.engine.asmade import handedness
from rillcast_service.engine.job import Job
from rillcast_service.engine.result import Handedness
from rillcast_service.engine.routes import casts, prints
from rillcast_service.engine.routes.base import Route

BONDED = "bonded"


@dataclass(frozen=True, slots=True)
class Cover:
    """What marks are looked at through.

    Args:
        words: with its article, for a sentence.
        clear: whether one can look through it.
        source: of that.
    """

    words: str
    clear: bool
    source: str


def cover(job: Job, route: Route) -> Cover | None:
    """What lies between the marks and who looks from the asked side.

    Args:
        job: says from which side; route: says in which face.

    Returns:
        None where nothing does, because marks are made in the outer face or the route says nothing of it.
    """
    table = route.table.get("handedness")
    if table is None or table["marks_face"] != BONDED:
        return None
    of = table[f"to_{job.chip.viewed_from}"]
    if of == "lid":
        of = casts.lid(job)
    if of == casts.GLASS:
        return Cover("the glass lid", clear=True, source="glass is clear")
    side = "lid" if job.chip.viewed_from == "lid" else "body"
    entry = job.bench["silicone"] if of == casts.SILICONE else prints.resin(job)
    silicone = of == casts.SILICONE
    source = entry.source_of("clear") if entry.has("clear") else "common practice, no source"
    clear = bool(entry.fact("clear", default=silicone))
    return Cover(f"the {side} of {entry.title}", clear=clear, source=source)


def handedness_of(job: Job, route: Route) -> Handedness | None:
    """Which way round a route draws and makes things, so that the chip shows the drawing.

    Args:
        job: says from which side the chip is looked at; route: the steps that reverse.

    Returns:
        The whole of it; None for a route whose table says nothing of it.
    """
    table = route.table.get("handedness")
    if table is None:
        return None
    steps = handedness.steps_to_eye(table, viewed_from=job.chip.viewed_from)
    between = cover(job, route)
    through = f", marks through {between.words}" if between else ""
    return Handedness(
        viewed_from=job.chip.viewed_from,
        steps=steps,
        mirrored=handedness.mirrored(steps),
        marks_face=str(table["marks_face"]),
        sees=f"The drawing as it stands, seen from the {job.chip.viewed_from} side{through}.",
        ports_clockwise=handedness.clockwise(job.layout.ports, job.chip.outline),
    )


def handedness_notes(handed: Handedness) -> tuple[str, ...]:
    """What has to be drawn mirrored, of what files are drawn for, in a sentence.

    Args:
        handed: from `handedness_of`.

    Returns:
        One note, or none where everything is drawn as it is seen.
    """
    given = {step.gives for step in handed.steps}
    files = {name: mirrored for name, mirrored in handed.mirrored.items() if name not in given}
    reversed_ = [name for name, mirrored in files.items() if mirrored]
    if not reversed_:
        return ()
    kept = [name for name, mirrored in files.items() if not mirrored]
    rest = f"; the {' and the '.join(kept)} as drawn" if kept else ""
    return (
        f"The drawing is what is seen from the {handed.viewed_from} side: draw the "
        f"{' and the '.join(reversed_)} mirrored{rest}.",
    )
