"""A real server over SSH: what a survey may rely on, and that nothing else is done there."""

from __future__ import annotations

import pytest

from forerun.distro.debian import Debian
from forerun.errors import CloneUnreachable
from forerun.ports.guest import SshGuest
from forerun.ports.ssh import connect
from forerun.stages.build import Yard
from forerun.stages.survey import open_production
from forerun.testing import check_production
from tests.vm import lab

pytestmark = pytest.mark.vm


def test_a_real_server_keeps_the_contract(server: lab.Server) -> None:
    """The SSH adapter against Debian's own sshd: every byte counted, nothing out of scope."""
    link = connect(server.target())
    try:
        production, distro = open_production(link)
        assert isinstance(distro, Debian)
        check_production(production, Debian().scope())
    finally:
        link.close()


def test_a_server_is_never_taken_for_a_clone(server: lab.Server, yard: Yard) -> None:
    """The door to clones refuses it for want of the guard file, and leaves no trace."""
    guest = SshGuest(
        lambda: connect(server.target()),
        gateway_port=yard.gateway_port,
        guest_gateway_port=29480,
    )
    with pytest.raises(CloneUnreachable, match="nothing was run there"):
        guest.connect(patience_s=60)
    link = connect(server.target())
    try:
        look = link.exec("ls -d /run/forerun /etc/forerun; ss -H -l -n -t", timeout_s=60)
    finally:
        link.close()
    assert b"29480" not in look.stdout
    assert look.stdout.count(b"forerun") == 0
