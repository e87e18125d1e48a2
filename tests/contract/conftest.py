"""The app, for tests that hold code and contract side by side."""

import pytest
from flask import Flask

from rillcast_service.api.app import create_app
from rillcast_service.jobs.dispatch import EmbeddedDispatcher
from rillcast_service.reading.pool import ReaderPool
from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store


@pytest.fixture
def app(settings: Settings, store: Store, readers: ReaderPool) -> Flask:
    return create_app(settings, store, EmbeddedDispatcher(), readers)
