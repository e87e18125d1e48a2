"""What routes that print share: their printer and resin, and channels in printed parts."""

from __future__ import annotations

from collections.abc import Callable

from rillcast_service.catalogue.types import Entry, Fact, Quantity
from rillcast_service.engine.asmade import printing
from rillcast_service.engine.asmade.model import AsMade, MadeChannel, MadeMarks
from rillcast_service.engine.job import BENCH_KINDS, Job
from rillcast_service.engine.layout.model import Layer
from rillcast_service.engine.ranges import Range
from rillcast_service.engine.routes.base import BuildVariant


def printer(job: Job) -> Entry:
    """The printer that sizes and times are taken from.

    Args:
        job: gives the bench.

    Returns:
        The bench's own; where it has none, the catalogue's default stands for that of a print service.
    """
    return _own_or_default(job, "printer")


def resin(job: Job) -> Entry:
    """The resin of printed chips.

    Args:
        job: gives the bench.

    Returns:
        The bench's own; where it has none, the catalogue's default.
    """
    return _own_or_default(job, "resin")


def mould_resin(job: Job) -> Entry:
    """The resin of printed moulds.

    Args:
        job: gives the bench.

    Returns:
        The bench's own; where it has none, the catalogue's default.
    """
    return _own_or_default(job, "mould_resin")


def lying(job: Job, variant: BuildVariant) -> printing.Lying:
    """How a chip lies on the raster of its print: as drawn, its corner on that of a pixel.

    Args:
        job, variant: what is printed, and how it stands on the plate.

    Returns:
        Its place; upright it stands on its longer side.
    """
    left, bottom, right, top = job.chip.outline.bounds
    tolerance = job.catalogue.defaults["outline_tolerance_percent"]
    assert isinstance(tolerance, Quantity), "a number of the shipped catalogue"
    return printing.Lying(
        corner_mm=(left, bottom),
        tolerance_percent=tolerance.value,
        upright=variant.orientation_deg >= printing.UPRIGHT_FROM_DEG,
        long_in_x=right - left >= top - bottom,
    )


def in_part(job: Job, variant: BuildVariant, *, enclosed: bool, notes: tuple[str, ...]) -> AsMade:
    """Every channel layer as it comes out in a printed part.

    Args:
        job, variant: what is printed, and how it stands on the plate.
        enclosed: whether a roof is printed over the channels.
        notes: what the reader must know of the route.

    Returns:
        The made channels, and marks, which are open to their face on every route.
    """

    def make(layer: Layer, *, roofed: bool) -> tuple[MadeChannel, Range]:
        return printing.made_in_part(
            layer, printer(job), resin(job), enclosed=roofed, lying=lying(job, variant)
        )

    return of_layers(
        job,
        lambda layer: make(layer, roofed=enclosed),
        cured=resin(job),
        notes=notes,
        engrave=lambda layer: make(layer, roofed=False),
    )


def of_layers(
    job: Job,
    make: Callable[[Layer], tuple[MadeChannel, Range]],
    *,
    cured: Entry,
    notes: tuple[str, ...],
    engrave: Callable[[Layer], tuple[MadeChannel, Range]] | None = None,
) -> AsMade:
    """Every channel layer, and every layer of marks, through one model of a print.

    Args:
        job: gives layers and printer; make: one layer → made channel and width change in µm.
        cured: the resin; notes: what the reader must know of the model.
        engrave: the same for a layer of marks; None where marks are made as channels are.

    Returns:
        The made channels and marks. The width change is that of the first layer: light spread is the same
        for all.
    """
    made = [make(layer) for layer in job.layout.channel_layers]
    notes = (*notes, _base_note(printer(job), cured))
    engraved = [(engrave or make)(layer) for layer in job.layout.mark_layers]
    if not job.bench.has("printer"):
        notes = (
            *notes,
            f"The bench has no printer: sizes are those of a {printer(job).title} at a print service.",
        )
    return AsMade(
        channels=tuple(channel for channel, _ in made),
        width_change_um=next((change for _, change in (*made, *engraved)), Range.exact(0.0)),
        calibrated=bool(printer(job).fact("calibrated", default=False)),
        notes=notes,
        marks=tuple(MadeMarks.of(marks) for marks, _ in engraved),
    )


def _base_note(machine: Entry, cured: Entry) -> str:
    """Channels and ridges lie above the base layers; what reaches down to the plate does not."""
    growth, layers = printing.base_growth_um(machine, cured), machine.number("base_layers_count")
    return (
        f"The lowest {layers * machine.number('layer_um') / 1e3:.2f} mm are exposed longer and grow "
        f"{growth.best:.0f} µm more on each side ({growth.low:.0f} to {growth.high:.0f} µm): outer edges and "
        "bores at the plate, not channels or ridges above."
    )


def _own_or_default(job: Job, key: str) -> Entry:
    if job.bench.has(key):
        return job.bench[key]
    default = job.catalogue.defaults[key]
    assert isinstance(default, Fact), key
    return job.catalogue.get(BENCH_KINDS[key], str(default.value))
