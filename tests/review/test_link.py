"""The address of a folder's page: the same after a restart, and nobody else's."""

from __future__ import annotations

import os
import socket
from pathlib import Path
from typing import Any

import pytest
from fake import FakeBackend

from pipeline.errors import UsageError
from pipeline.review.link import Link, keep_link, known_link, only_one, open_server


@pytest.fixture
def backend(tmp_path: Path) -> FakeBackend:
    return FakeBackend(tmp_path, proxies=False)


def opened(backend: Any, **how: Any) -> Link:
    """What an opened page is reached at; it is closed again."""
    server, _ = open_server(backend, **how)
    server.socket.close()
    return Link(server.port, server.token)


def test_the_address_survives_a_restart(backend: FakeBackend) -> None:
    first = opened(backend)
    assert 20000 <= first.port < 32000 and len(first.token) >= 32
    assert opened(backend) == first
    path = backend.root / "private" / ".review.json"
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_new_address_is_drawn_when_asked(backend: FakeBackend) -> None:
    first, second = opened(backend), opened(backend, new=True)
    assert second.token != first.token and opened(backend) == second


def test_a_port_of_ones_own_is_kept_with_a_token_of_its_own(backend: FakeBackend) -> None:
    first = opened(backend)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    mine = opened(backend, port=port)
    assert mine.port == port and mine.token != first.token
    assert opened(backend) == mine == opened(backend, port=port)


def test_what_others_could_have_read_is_not_believed(backend: FakeBackend) -> None:
    first = opened(backend)
    path = backend.root / "private" / ".review.json"
    os.chmod(path, 0o644)
    assert known_link(backend.root) is None
    assert opened(backend).token != first.token
    elsewhere = backend.root / "elsewhere.json"
    path.rename(elsewhere)
    path.symlink_to(elsewhere)
    assert known_link(backend.root) is None


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"port": "80", "token": "x"}'])
def test_a_damaged_note_is_drawn_anew(backend: FakeBackend, text: str) -> None:
    path = backend.root / "private" / ".review.json"
    path.write_text(text)
    os.chmod(path, 0o600)
    assert len(opened(backend).token) >= 32


def test_whoever_sits_on_the_port_learns_nothing_that_opens_the_page(backend: FakeBackend) -> None:
    """Common practice, no source: a secret that may have been shown is not used again."""
    kept = opened(backend)
    with socket.socket() as thief:
        thief.bind(("127.0.0.1", kept.port))
        thief.listen()
        server, note = open_server(backend)
        server.socket.close()
        assert server.port != kept.port and server.token != kept.token
        assert "taken" in note


def test_one_page_a_folder(backend: FakeBackend) -> None:
    keep_link(backend.root, Link(20001, "t" * 32))
    with (
        only_one(backend.root),
        pytest.raises(UsageError, match="20001"),
        only_one(backend.root),
    ):
        pass
    with only_one(backend.root):
        pass
