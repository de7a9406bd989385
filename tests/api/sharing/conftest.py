from __future__ import annotations

import pytest

from tests.support.service import Service
from tests.support.sharing import WORDS, Shared, finished, share


@pytest.fixture
def inspection_id(service: Service) -> str:
    return finished(service)


@pytest.fixture
def shared(service: Service, inspection_id: str) -> Shared:
    return share(service, inspection_id)


@pytest.fixture
def locked(service: Service, inspection_id: str) -> Shared:
    """A link with a passphrase."""
    return share(service, inspection_id, passphrase=WORDS)
