"""The test session itself: nothing in it can reach a network."""

from __future__ import annotations

import socket

import pytest


@pytest.mark.parametrize("method", ["connect", "connect_ex"])
def test_a_connection_to_a_host_is_refused(method):
    with (
        socket.socket(socket.AF_INET, socket.SOCK_STREAM) as plug,
        pytest.raises(AssertionError, match="never call the network"),
    ):
        getattr(plug, method)(("127.0.0.1", 9))


def test_a_datagram_and_a_name_are_refused():
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as plug,
        pytest.raises(AssertionError, match="never call the network"),
    ):
        plug.sendto(b"x", ("127.0.0.1", 9))
    with pytest.raises(AssertionError, match="never ask for names"):
        socket.getaddrinfo("example.org", 443)


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="this system has no local sockets")
def test_local_sockets_still_work(tmp_path):
    path = str(tmp_path / "s")
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as server,
        socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as client,
    ):
        server.bind(path)
        server.listen()
        client.connect(path)
        accepted, _ = server.accept()
        with accepted:
            client.sendall(b"yes")
            assert accepted.recv(3) == b"yes"
