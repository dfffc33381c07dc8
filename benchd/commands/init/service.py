"""The systemd unit that `benchd init` writes.

config/benchd.service is this text for an installation under /opt/benchd; a test keeps them equal.  Every line that
restricts the service is there because benchd does not need what it takes away; `systemd-analyze security` rates them.

A bench in somebody's home runs as that person: a separate service user could not enter there.  Shelf, resins and
journal then stay where they are without a service, and every command finds them without further options.
"""

from __future__ import annotations

import json
import os
import pwd
import shlex
import sys
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from urllib.parse import unquote, urlsplit

import benchd
from benchd.settings.places import own_state

EXAMPLE_PROGRAM = Path("/opt/benchd/bin/benchd")
EXAMPLE_CONFIG = Path("/etc/benchd/bench.toml")
HOMES = ("/home", "/root", "/run/user")
"""The folders that ProtectHome= hides (systemd.exec(5))."""
OWN_TO_THE_SERVICE = ("/tmp", "/var/tmp")
"""The folders that PrivateTmp= replaces with private ones."""

_UNIT = """\
{intro}
# benchd is no safety device: nothing here makes it one.

[Unit]
Description=Watch over a resin-casting bench
Wants=network-online.target
After=network-online.target time-sync.target
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={program} run -c {config}
# Fed while the engine steps and the journal writes or has told that it cannot; not for a board that is unplugged.
WatchdogSec=30
# A long journal may have to be replayed first.
TimeoutStartSec=300
TimeoutStopSec=10
Restart=always
RestartSec=2
# 78: the configuration is wrong; trying again mends nothing.  75: another benchd has the journal.  It was waited for a
# minute by then, and is again: when the other ends, the bench must not be left unwatched.
RestartPreventExitStatus=2 78

{user}
RuntimeDirectory=benchd
RuntimeDirectoryMode=0750
UMask=0077
# A broker's password, handed over by the service manager; name it in bench.toml as
# password_file = "/run/credentials/benchd.service/broker"
#LoadCredential=broker:/etc/benchd/broker.password

# Boards, and no other device.
DevicePolicy=closed
DeviceAllow=char-ttyUSB rw
DeviceAllow=char-ttyACM rw

# Nothing of the system can be changed, nothing of other people's seen.
ProtectSystem=strict
ProtectHome={home}
PrivateTmp=yes
PrivateMounts=yes
ProtectProc=invisible
ProcSubset=pid
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
RemoveIPC={ipc}

# No right beyond a plain user's, and no way to one.
NoNewPrivileges=yes
CapabilityBoundingSet=
AmbientCapabilities=
RestrictSUIDSGID=yes
RestrictNamespaces=yes
RestrictRealtime=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
SystemCallErrorNumber=EPERM

# The broker and the page: this machine and private networks.  A broker elsewhere needs its address here.
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
IPAddressDeny=any
IPAddressAllow=localhost link-local 10.0.0.0/8 172.16.0.0/12 192.168.0.0/16 fd00::/8

[Install]
WantedBy=multi-user.target
"""


_OWN_INTRO = """\
# benchd as a service.  Once, as root:
#
#     useradd --system --no-create-home --groups dialout benchd
#     cp benchd.service /etc/systemd/system/ && systemctl daemon-reload && systemctl enable --now benchd
#
# A person who marks and lists joins its group: usermod -aG benchd NAME."""

_OWN_USER = """\
User=benchd
SupplementaryGroups=dialout
# Journal, shelf and resins: /var/lib/benchd.
StateDirectory=benchd
StateDirectoryMode=0700"""

_OWNERS_INTRO = """\
# benchd as a service, for a bench in a home, as the one who lives there.  Once:
#
#     sudo cp {service} /etc/systemd/system/
#     sudo systemctl daemon-reload && sudo systemctl enable --now benchd
#"""

_OWNERS_USER = """\
User={name}
SupplementaryGroups=dialout
# The bench, and the journal; of the rest of the home nothing can be changed, and keys not even be read.
Environment={environment}
ReadWritePaths={folder} {state}
InaccessiblePaths={keys}"""


@dataclass(frozen=True, slots=True)
class Owner:
    """The owner of the home that contains a bench, and that person's state directory."""

    name: str
    uid: int
    home: Path
    state: Path


def owner_of(folder: Path) -> Owner | None:
    """The owner of the home that contains a bench's folder, existing or not; None outside homes and for root's."""
    uid = folder.stat().st_uid if folder.exists() else os.geteuid()
    try:
        found = pwd.getpwuid(uid)
    except KeyError:
        return None
    home = Path(found.pw_dir)
    if uid == 0 or not _is_in(folder, (*HOMES, *([found.pw_dir] if home != home.parent else []))):
        return None
    state = own_state() if uid == os.geteuid() else home / ".local" / "state" / "benchd"
    return Owner(found.pw_name, uid, home, state)


def unit_text(program: Path = EXAMPLE_PROGRAM, config: Path = EXAMPLE_CONFIG, owner: Owner | None = None) -> str:
    """The unit for this program and this bench.toml; homes stay hidden unless one of the two is in one."""
    in_a_home = owner is not None or _is_in(program, HOMES) or _is_in(config, HOMES)
    return _UNIT.format(
        intro=_OWN_INTRO
        if owner is None
        else _OWNERS_INTRO.format(service=shlex.quote(str(config.with_name("benchd.service")))),
        program=_word(program),
        config=_word(config).replace("$", "$$"),
        user=_OWN_USER if owner is None else _owners_lines(owner, config.parent),
        home="read-only" if in_a_home else "yes",
        ipc="yes" if owner is None else "no",  # the owner's other programs keep theirs
    )


def _owners_lines(owner: Owner, folder: Path) -> str:
    return _OWNERS_USER.format(
        name=owner.name,
        environment=_word(f"XDG_STATE_HOME={owner.state.parent}"),
        folder=_word(folder),
        state=_word(owner.state),
        keys=" ".join(_word(f"-{owner.home / name}") for name in (".ssh", ".gnupg")),
    )


def steps(program: Path, config: Path, owner: Owner | None) -> list[str]:
    """What must be done before the unit for these can run: a sentence, then commands for root; usually nothing.

    The files must exist already.
    """
    uid = None if owner is None else owner.uid
    why_config = _shut_to(config, uid)
    ours = (program, Path(sys.executable), Path(benchd.__file__))
    why_program = next(filter(None, (_shut_to(path, uid) for path in ours)), "")
    unit = (EXAMPLE_CONFIG if why_config else config).with_name("benchd.service")
    commands: list[str] = []
    if why_config:
        commands += [*_copied(shlex.quote(str(config.parent)), EXAMPLE_CONFIG.parent)]
        commands.append(_put_into(unit, config, EXAMPLE_CONFIG))
    if why_program:
        there = EXAMPLE_PROGRAM.parents[1]
        commands += [f"python3 -m venv {there} && {there}/bin/pip install {_what_to_install()}"]
        commands.append(_put_into(unit, program, EXAMPLE_PROGRAM))
    whys = "; ".join(dict.fromkeys(filter(None, (why_config, why_program))))
    return [f"First, as root, because {whys}:", *(f"    {line}" for line in commands)] if commands else []


def _copied(folder: str, there: Path) -> tuple[str, ...]:
    """Commands that copy what init wrote and nothing else: a password in that folder stays unreadable to others."""
    return (
        f"install -d {there}/resins && install -m 644 {folder}/resins/*.toml {there}/resins",
        f"install -m 644 {folder}/bench.toml {folder}/shelf.toml {folder}/benchd.service {there}",
    )


def _put_into(unit: Path, before: Path, after: Path) -> str:
    return f"sed -i {shlex.quote(f's|{before}|{after}|')} {shlex.quote(str(unit))}"


def _what_to_install() -> str:
    """What pip is given: the folder this benchd runs from, the file it was installed from, else its version."""
    source = Path(benchd.__file__).parents[1]
    if (source / "pyproject.toml").exists():
        return shlex.quote(str(source))
    origin = metadata.distribution("benchd").read_text("direct_url.json")
    url = urlsplit(json.loads(origin)["url"]) if origin else None
    is_file = url is not None and url.scheme == "file"
    return shlex.quote(unquote(url.path)) if url is not None and is_file else f"benchd=={benchd.__version__}"


def _shut_to(path: Path, uid: int | None) -> str:
    """Why the service, running as this user (None: any other), cannot read this file; "" if it can."""
    for folder in OWN_TO_THE_SERVICE:
        if _is_in(path, (folder,)):
            return f"the service has a {folder} of its own"
    try:
        for part in (*reversed(path.resolve().parents), path.resolve()):
            found = part.stat()
            bit = 0o1 if part.is_dir() else 0o4
            if not found.st_mode & (bit << 6 if found.st_uid == uid else bit):
                return f"the service may not look into {part}"
    except OSError:
        return ""  # a missing file is not a problem of access
    return ""


def _is_in(path: Path, folders: tuple[str, ...]) -> bool:
    """Whether a path, or the target of a link, is in one of these folders."""
    return any(
        found.is_relative_to(folder) for found in (path, path.resolve()) for name in folders
        for folder in (Path(name), Path(name).resolve())
    )  # fmt: skip


def _word(path: Path | str) -> str:
    """A path as one word of a command line in a unit file (systemd.service(5)); all but the first also double $."""
    text = str(path).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f'"{text}"' if any(c.isspace() or c in "\"'\\;" for c in text) else text
