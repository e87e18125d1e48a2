"""What is said of a file whose reading was stopped or broke down: each a problem type of its own."""

from __future__ import annotations

from rillcast_service.engine.errors import EngineError


class LayoutTimeLimit(EngineError):
    """Reading or correcting the layout was stopped at the service's time limit."""

    slug = "layout-time-limit"
    title = "The work on the layout takes too long"


class LayoutMemoryLimit(EngineError):
    """Reading or correcting the layout was stopped at the service's memory limit."""

    slug = "layout-memory-limit"
    title = "The work on the layout needs too much memory"


class LayoutOutputLimit(EngineError):
    """Reading the layout was stopped because it gave out more than the service takes."""

    slug = "layout-output-limit"
    title = "The layout as read is too large"


class LayoutReaderFailed(EngineError):
    """The reader broke down on this file. The fault lies with the service, and its log holds the reason."""

    slug = "layout-reader-failed"
    title = "The reader broke down on this file"


class ReadersBusy(Exception):
    """No reader came free in time. `retry_after_s` says when to ask again."""

    def __init__(self, retry_after_s: int) -> None:
        self.retry_after_s = retry_after_s
        super().__init__("Every reader of layout files is busy.")
