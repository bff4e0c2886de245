"""The practice packages: small, and each with one way in which upgrades surprise people.

shelf-web     a web service; its conffile changes between the suites, its postinst
              restarts it; the new version needs shelf-new
shelf-note    its postinst asks a question that no rule declares, then goes on
shelf-slow    its postinst is silent for 15 s: silence is no question
shelf-repeat  its postinst asks again at a bare Enter, up to 30 times
linux-image-shelf  no kernel, but named as one, and its postinst writes below /boot
shelf-old     taken away by shelf-new, which the second suite brings
shelf-fail    its postinst fails, in the suite `broken` only
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field

PORT = 8080
PAYLOAD_BYTES = 24 << 20  # large enough that a second's looks at the service stay under 1 %

NOTE_QUESTION = "Shelf note: keep the notes of the old version? [Y/n] "
REPEAT_QUESTION = "Shelf repeat: type yes to go on: "

_SERVER = f"""#!/usr/bin/python3
import http.server, pathlib

class Shelf(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        body = pathlib.Path("/usr/share/shelf-web/greeting").read_bytes()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_):
        pass

http.server.ThreadingHTTPServer(("", {PORT}), Shelf).serve_forever()
"""

_UNIT = """[Unit]
Description=practice shelf on the web
After=network.target

[Service]
ExecStart=/usr/bin/shelf-web
Restart=on-failure

[Install]
WantedBy=multi-user.target
"""

_WEB_POSTINST = """#!/bin/sh
set -e
systemctl daemon-reload
systemctl enable shelf-web.service >/dev/null 2>&1
systemctl restart shelf-web.service
"""

NOTE_POSTINST = f"""#!/bin/sh
set -e
[ -n "$2" ] || exit 0
printf '%s' '{NOTE_QUESTION}'
read -r answer || true
echo "kept: ${{answer:-by default}}"
"""

_SLOW_POSTINST = """#!/bin/sh
set -e
[ -n "$2" ] || exit 0
sleep 15
echo "shelf-slow is done"
"""

REPEAT_POSTINST = f"""#!/bin/sh
set -e
[ -n "$2" ] || exit 0
count=0
while [ "$count" -lt 30 ]; do
  printf '%s' '{REPEAT_QUESTION}'
  read -r answer || true
  [ "$answer" != yes ] || exit 0
  count=$((count + 1))
done
"""

_KERNEL_POSTINST = """#!/bin/sh
set -e
[ -n "$2" ] || exit 0
echo 'no kernel' > /boot/shelf
sleep 1
rm /boot/shelf
"""

_FAIL_POSTINST = """#!/bin/sh
echo 'shelf-fail: the shelf cannot be found' >&2
exit 1
"""


@dataclass(frozen=True, slots=True)
class PracticePackage:
    """One version of one package. `files` maps paths to (content, permission bits)."""

    name: str
    version: str
    fields: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, tuple[bytes, int]] = field(default_factory=dict)
    conffiles: tuple[str, ...] = ()
    postinst: str = ""

    def control(self) -> str:
        """The control stanza (Debian Policy 5.3)."""
        whole = {
            "Package": self.name,
            "Version": self.version,
            "Architecture": "all",
            "Maintainer": "Practice Archive <archive@practice.example>",
            "Section": "misc",
            "Priority": "optional",
            **self.fields,
            "Description": f"practice package {self.name}",
        }
        return "".join(f"{key}: {value}\n" for key, value in whole.items())


def _web(version: str, configuration: str, payload: bytes, **fields: str) -> PracticePackage:
    return PracticePackage(
        "shelf-web",
        version,
        {"Depends": ", ".join(filter(None, ("python3", fields.get("depends", ""))))},
        {
            "/etc/shelf-web.conf": (configuration.encode(), 0o644),
            "/usr/bin/shelf-web": (_SERVER.encode(), 0o755),
            "/usr/share/shelf-web/greeting": (f"shelf-web {version} ready\n".encode(), 0o644),
            "/usr/share/shelf-web/catalogue": (payload, 0o644),
            "/usr/lib/systemd/system/shelf-web.service": (_UNIT.encode(), 0o644),
        },
        ("/etc/shelf-web.conf",),
        _WEB_POSTINST,
    )


def _plain(name: str, version: str, postinst: str = "") -> PracticePackage:
    text = f"{name} {version}\n".encode()
    return PracticePackage(
        name, version, files={f"/usr/share/{name}/about": (text, 0o644)}, postinst=postinst
    )


def list_suites() -> dict[str, tuple[PracticePackage, ...]]:
    """Suite to its packages. The payload is the same at each call."""
    payload = random.Random(12).randbytes(PAYLOAD_BYTES)
    asking = {
        "shelf-note": NOTE_POSTINST,
        "shelf-slow": _SLOW_POSTINST,
        "shelf-repeat": REPEAT_POSTINST,
        "linux-image-shelf": _KERNEL_POSTINST,
    }
    second = tuple(_plain(name, "2.0", postinst) for name, postinst in asking.items())
    new = PracticePackage(
        "shelf-new",
        "2.0",
        {"Provides": "shelf-old", "Conflicts": "shelf-old", "Replaces": "shelf-old"},
        {"/usr/share/shelf-new/about": (b"shelf-new\n", 0o644)},
    )
    return {
        "first": (
            _web("1.0", "rows = 10\ncolour = plain\n", b"small"),
            *(_plain(name, "1.0", postinst) for name, postinst in asking.items()),
            _plain("shelf-old", "1.0"),
            _plain("shelf-fail", "1.0"),
        ),
        "second": (
            _web("2.0", "rows = 12\ncolour = plain\nwidth = 80\n", payload, depends="shelf-new"),
            *second,
            new,
        ),
        "broken": (_plain("shelf-fail", "3.0", _FAIL_POSTINST),),
    }


INSTALLED = (
    "shelf-web", "shelf-note", "shelf-slow", "shelf-repeat", "linux-image-shelf", "shelf-old",
    "shelf-fail",
)  # fmt: skip
EDITED_CONFIGURATION = "rows = 99\ncolour = plain\n"
