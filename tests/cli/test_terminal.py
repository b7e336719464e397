"""Color and width as the terminal has them."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
pty = pytest.importorskip("pty", reason="there are no pseudo-terminals here")


def on_a_terminal(columns: int, **env: str) -> str:
    """What a command shows on a terminal of this width."""
    from fcntl import ioctl
    from struct import pack
    from termios import TIOCSWINSZ

    kept = {name: text for name, text in os.environ.items() if name not in ("COLUMNS", "NO_COLOR")}
    code = "from blend.cli import main; main()"
    child, terminal = pty.fork()
    if child == 0:
        ioctl(0, TIOCSWINSZ, pack("HHHH", 40, columns, 0, 0))
        command = [sys.executable, "-c", code, "value", str(ROOT / "demo_data")]
        os.execve(command[0], command, {**kept, "PYTHONPATH": str(ROOT), "TERM": "xterm", **env})
    shown = b""
    try:
        while part := os.read(terminal, 65_536):
            shown += part
    except OSError:  # the command has ended
        pass
    finally:
        os.close(terminal)
        os.waitpid(child, 0)
    return shown.decode()


@pytest.mark.parametrize(("env", "is_colored"), [({}, True), ({"NO_COLOR": "1"}, False)])
def test_a_terminal_has_color_and_width_unless_asked_not_to(env, is_colored):
    shown = on_a_terminal(60, **env)
    assert ("\x1b[" in shown) is is_colored
    lines = re.sub(r"\x1b\[[0-9;]*m", "", shown).splitlines()
    assert len(lines) > 10 and max(map(len, lines)) <= 60
