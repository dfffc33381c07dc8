"""What does the service manager need to know to run benchd?  The unit file `benchd init` writes.

config/benchd.service is this very text for an installation under /opt/benchd; a test keeps them equal.  Every line that
takes something away from the service is there because benchd does without it; `systemd-analyze security` judges them.
"""

from __future__ import annotations

from pathlib import Path

EXAMPLE_PROGRAM = Path("/opt/benchd/bin/benchd")
EXAMPLE_CONFIG = Path("/etc/benchd/bench.toml")

_UNIT = """\
# benchd as a service.  Once, as root:
#
#     useradd --system --no-create-home --groups dialout benchd
#     cp benchd.service /etc/systemd/system/ && systemctl daemon-reload && systemctl enable --now benchd
#
# A person who marks and lists joins its group: usermod -aG benchd NAME.
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

User=benchd
SupplementaryGroups=dialout
StateDirectory=benchd
StateDirectoryMode=0700
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
RemoveIPC=yes

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


def unit_text(program: Path = EXAMPLE_PROGRAM, config: Path = EXAMPLE_CONFIG) -> str:
    """The unit for this program and this bench.toml; people's homes stay shut unless one of them lies there."""
    in_a_home = any(path.is_relative_to(home) for path in (program, config) for home in ("/home", "/root"))
    return _UNIT.format(
        program=_word(program), config=_word(config).replace("$", "$$"), home="read-only" if in_a_home else "yes"
    )


def _word(path: Path) -> str:
    """A path as one word of a command line in a unit file (systemd.service(5)); all but the first also double $."""
    text = str(path).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f'"{text}"' if any(c.isspace() or c in "\"'\\;" for c in text) else text
