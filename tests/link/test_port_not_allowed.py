"""A serial port that may not be opened: the sentence names the group that the device file belongs to, and how to join it."""

from __future__ import annotations

import errno
import os
import stat
import sys
from collections.abc import Callable
from types import SimpleNamespace

import pytest

from acquire.link import transport
from acquire.link.pipe import Pipe
from analysis.base.errors import LinkError

if sys.platform == "win32":
    pytest.skip("no groups own a port there", allow_module_level=True)

# Debian gives serial ports to dialout, as crw-rw---- root dialout (from memory).
DEBIAN = stat.S_IFCHR | 0o660


@pytest.fixture
def owned(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Makes /dev/ttyUSB0 a port of a group that nobody lets us open."""

    def own(mode: int = DEBIAN, group: str = "dialout", ours: tuple[int, ...] = ()) -> None:
        def refused(*_args: object) -> None:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), "/dev/ttyUSB0")

        really = os.stat
        there = SimpleNamespace(st_gid=20, st_mode=mode)
        monkeypatch.setattr(transport, "_opened", refused)
        monkeypatch.setattr(transport.os, "stat", lambda path, **kw: there if path == "/dev/ttyUSB0" else really(path, **kw))
        monkeypatch.setattr(transport.os, "getgroups", lambda: list(ours))
        monkeypatch.setattr(transport.os, "getegid", lambda: 1000)
        monkeypatch.setattr(transport.grp, "getgrgid", lambda _gid: SimpleNamespace(gr_name=group))

    return own


async def refusal() -> str:
    with pytest.raises(LinkError) as refused:
        await transport.open_pipe("/dev/ttyUSB0", 115200, Pipe(lambda: 0.0))
    return str(refused.value)


@pytest.mark.parametrize("group", ["dialout", "uucp"])
async def test_it_says_which_group_to_join_and_how(owned: Callable[..., None], group: str) -> None:
    owned(group=group)
    said = await refusal()
    assert f"it belongs to the group {group}, which you are not in" in said
    assert f"sudo usermod -aG {group} $USER, then log out and in again" in said


async def test_a_member_is_told_that_the_group_has_no_rights(owned: Callable[..., None]) -> None:
    owned(mode=stat.S_IFCHR | 0o600, ours=(20,))
    assert "sudo chmod g+rw /dev/ttyUSB0" in await refusal()


async def test_without_such_a_group_it_is_still_a_sentence(owned: Callable[..., None], monkeypatch: pytest.MonkeyPatch) -> None:
    owned()

    def unknown(_gid: int) -> None:
        raise KeyError

    monkeypatch.setattr(transport.grp, "getgrgid", unknown)
    assert "Ask whoever runs this machine" in await refusal()
