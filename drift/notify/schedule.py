"""Ready lines that let a scheduler run `drift check` once a day."""

from __future__ import annotations

import shlex
import subprocess
from collections.abc import Sequence

#: When it runs: at noon or so all nights are imported, and a local clock change at night does no harm.
_HOUR, _MINUTE = 12, 20


def lines_for(system: str, program: Sequence[str], pier: str) -> str:
    """Return the lines for one scheduler.

    Parameters
    ----------
    system
        "cron", "systemd" or "windows".
    program
        The program and its first arguments, that are run.
    pier
        Whole path of the site file.
    """
    command = [*program, "check", "--pier", pier]
    return {"cron": _cron, "systemd": _systemd, "windows": _windows}[system](command)


def _cron(command: Sequence[str]) -> str:
    line = shlex.join(command).replace("%", r"\%")  # cron takes a bare % for the end of the line
    return (
        "# For `crontab -e`: once a day, silent when nothing is new.  cron mails what is printed, where the\n"
        "# machine can send mail.  A secret named ${NAME} in pier.toml needs a line NAME=... above it.\n"
        f"{_MINUTE} {_HOUR} * * * {line}\n"
    )


def _systemd(command: Sequence[str]) -> str:
    words = " ".join(_systemd_word(word) for word in command)
    return (
        "# ~/.config/systemd/user/drift-check.service\n"
        "[Unit]\n"
        "Description=Look whether the pier or the mount has moved\n"
        "\n"
        "[Service]\n"
        "Type=oneshot\n"
        "# 1 means that something has moved; 2 that the check could not be made\n"
        "SuccessExitStatus=1\n"
        "# Secrets named ${NAME} in pier.toml stand in this file as lines NAME=...; it may be missing.\n"
        "EnvironmentFile=-%h/.config/drift/secrets\n"
        f"ExecStart={words}\n"
        "\n"
        "# ~/.config/systemd/user/drift-check.timer\n"
        "[Unit]\n"
        "Description=Run drift-check once a day\n"
        "\n"
        "[Timer]\n"
        f"OnCalendar=*-*-* {_HOUR}:{_MINUTE}:00\n"
        "Persistent=true\n"
        "\n"
        "[Install]\n"
        "WantedBy=timers.target\n"
        "\n"
        "# Then: systemctl --user daemon-reload && systemctl --user enable --now drift-check.timer\n"
        "# so that it runs while you are logged out, too: loginctl enable-linger\n"
        "# what it said: journalctl --user -u drift-check\n"
    )


def _systemd_word(word: str) -> str:
    """Quote a word of a systemd command line: specifiers, variables, quotes (systemd.service(5))."""
    plain = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{plain}"'


def _windows(command: Sequence[str]) -> str:
    task = subprocess.list2cmdline(command)
    create = [
        "schtasks",
        "/Create",
        "/TN",
        "drift check",
        "/SC",
        "DAILY",
        "/ST",
        f"{_HOUR}:{_MINUTE}",
        "/TR",
        task,
    ]
    return (
        "rem For a command prompt (not PowerShell): once a day.  The task's last result is 1 when something\n"
        "rem has moved and 2 when the check could not be made.  A secret named ${NAME} in pier.toml is set\n"
        "rem once with setx NAME value.\n"
        f"{subprocess.list2cmdline(create)}\n"
    )
