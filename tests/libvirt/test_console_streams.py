"""Consoles on libvirt's built-in test driver: it refuses them, but it has streams."""

from __future__ import annotations

import libvirt
import pytest

from forerun.errors import HypervisorFailed
from forerun.ports.hypervisor_console import ConsoleTerminal, open_console

pytestmark = pytest.mark.libvirt

URI = "test:///default"
DOMAIN = "test"  # the driver comes with it


def test_a_driver_without_consoles_is_told() -> None:
    """HypervisorFailed with libvirt's own words, and what to do."""
    with pytest.raises(HypervisorFailed) as caught:
        open_console(URI, DOMAIN)
    assert DOMAIN in caught.value.what
    assert "virDomainOpenConsole" in caught.value.found
    assert (caught.value.where, bool(caught.value.hint)) == (URI, True)


@pytest.mark.parametrize("uri", [URI, "nosuchdriver:///"])
def test_a_domain_that_is_not_there_is_told(uri: str, capfd: pytest.CaptureFixture[str]) -> None:
    """So is a hypervisor; libvirt's own lines on standard error are kept quiet."""
    with pytest.raises(HypervisorFailed) as caught:
        open_console(uri, "forerun-nobody")
    assert caught.value.where == uri
    assert caught.value.found
    assert capfd.readouterr().err == ""


def read_picture(connection: libvirt.virConnect) -> bytes:
    """What the driver draws for a screen, read in libvirt's plain blocking way."""
    stream = connection.newStream(0)
    connection.lookupByName(DOMAIN).screenshot(stream, 0, 0)
    whole = b""
    while part := stream.recv(1 << 16):
        whole += part
    stream.finish()
    return whole


def test_a_stream_of_libvirts_own_is_read_to_its_end() -> None:
    """Bytes, order and end of a real stream, through the event loop that a console needs.
    The driver's one stream is its picture of a screen (virDomainScreenshot)."""
    with pytest.raises(HypervisorFailed):
        open_console(URI, DOMAIN)  # from now on the event loop runs
    connection = libvirt.open(URI)
    wanted = read_picture(connection)
    assert wanted.startswith(b"\x89PNG")
    stream = connection.newStream(libvirt.VIR_STREAM_NONBLOCK)
    domain = connection.lookupByName(DOMAIN)
    domain.screenshot(stream, 0, 0)
    closed: list[bool] = []
    terminal = ConsoleTerminal(
        stream, DOMAIN, is_over=lambda: False, let_go=lambda: closed.append(True)
    )
    said = b""
    for _ in range(100):
        part = terminal.read(0.1)
        if part is None:
            break
        said += part
    else:
        raise AssertionError("it never ended")
    assert said == wanted
    assert terminal.exit_code is None
    terminal.close()
    assert closed == [True]
    connection.close()


def test_a_stream_that_is_left_early_is_given_back() -> None:
    """Hung up at once, with everything unread: no error, and the connection lives."""
    with pytest.raises(HypervisorFailed):
        open_console(URI, DOMAIN)
    connection = libvirt.open(URI)
    for _ in range(5):
        stream = connection.newStream(libvirt.VIR_STREAM_NONBLOCK)
        connection.lookupByName(DOMAIN).screenshot(stream, 0, 0)
        terminal = ConsoleTerminal(stream, DOMAIN, is_over=lambda: False)
        terminal.close()
        while terminal.read(0.0) is not None:
            pass
    assert connection.isAlive()
    assert read_picture(connection).startswith(b"\x89PNG")
    connection.close()
