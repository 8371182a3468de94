"""Boots the root in which the guide was followed, and looks at the services under a real systemd, udev and kernel.

The machine is emulated (QEMU without hardware help, so some minutes pass), once with two processors and, for less, once with one. Its
serial adapter is QEMU's emulation of a common USB chip, plugged in and out over QEMU's control socket (QMP,
https://www.qemu.org/docs/master/interop/qemu-qmp-ref.html), and at its other end is the simulated bench. What is tried stands in
in_the_booted.sh and probe.py. It needs a core of its own: on a busy machine the emulated line answers later than the profile waits, which
the recorder rightly tells as lost communication.
"""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.deploy.clean_root import CONFIG, SIMULATED
from tests.deploy.document import ROOT, StepError

HERE = Path(__file__).parent
WHOLE_S = 1500.0
PROCESSORS = (2, 1)  # with one the script ends early
SERIAL = "A10K1234"  # as in the example of the rules
UNIT = """
[Unit]
After=multi-user.target
[Service]
Type=oneshot
ExecStart=/bin/sh /opt/in_the_booted.sh
StandardOutput=tty
TTYPath=/dev/ttyS0
[Install]
WantedBy=multi-user.target
"""


class Control:
    """QEMU's control socket."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.connect(str(path))
        self._lines = self._socket.makefile()
        self._lines.readline()
        self.order("qmp_capabilities")

    def order(self, execute: str, **arguments: Any) -> None:
        """One command; waits for its answer."""
        self._socket.sendall(json.dumps({"execute": execute, "arguments": arguments}).encode() + b"\n")
        while "event" in (answer := json.loads(self._lines.readline())):
            pass
        if "error" in answer:
            raise StepError(f"QEMU refuses {execute}: {answer['error']['desc']}")


def prepare(root: Path) -> None:
    """What the reader does with an editor, and our own script."""
    text = SIMULATED.format(tcp_port=8437, token_file="/run/credentials/loadlog-viewer.service/loadlog-web-token")
    (root / CONFIG[1:]).write_text(text.replace("/run/bench/rack", "/dev/bench/rack"))
    rules = root / "etc/udev/rules.d/70-loadlog-serial.rules"
    rules.write_text(re.sub(rf"^#(?=.*{SERIAL})", "", rules.read_text(), flags=re.M))
    for name in ("probe.py", "in_the_booted.sh"):
        shutil.copy(HERE / name, root / "opt" / name)
    (root / "etc/systemd/system/loadlog-try.service").write_text(UNIT)
    wants = root / "etc/systemd/system/multi-user.target.wants/loadlog-try.service"
    wants.unlink(missing_ok=True)
    wants.symlink_to("../loadlog-try.service")
    (root / "etc/hosts").write_text("127.0.0.1 localhost\n")  # as the installer of Debian makes it; the smallest set has none
    (root / "etc/fstab").write_text("/dev/vda / ext4 defaults 0 1\n")


@contextlib.contextmanager
def simulated_bench(folder: Path) -> Iterator[Path]:
    """The port of the simulated load."""
    links = folder / "ports"
    shutil.rmtree(links, ignore_errors=True)
    scenario = ROOT / "config/simulated/one-supply.toml"
    process = subprocess.Popen(
        [sys.executable, "-m", "loadlog", "simulate", str(scenario), "--links", str(links)], stdout=subprocess.DEVNULL
    )
    try:
        end_s = time.monotonic() + 30
        while not (links / "rack").exists():
            if time.monotonic() > end_s:
                raise StepError("the simulated bench did not start")
            time.sleep(0.1)
        yield (links / "rack").resolve()
    finally:
        process.terminate()
        process.wait(10)


def machine(root: Path, folder: Path, port: Path, processors: int) -> list[str]:
    """The emulator's command; the disk is made from the root."""
    image, control = folder / "disk.img", folder / "qmp"
    image.unlink(missing_ok=True)
    subprocess.run(["mke2fs", "-q", "-t", "ext4", "-d", root, image, "5G"], check=True)
    (kernel,), (initrd,) = sorted((root / "boot").glob("vmlinuz-*"))[-1:], sorted((root / "boot").glob("initrd.img-*"))[-1:]
    return [
        *("qemu-system-x86_64", "-accel", "tcg", "-cpu", "max", "-smp", str(processors), "-m", "1536"),
        *("-nographic", "-no-reboot", "-nic", "none"),
        *("-kernel", str(kernel), "-initrd", str(initrd), "-append", "root=/dev/vda rw console=ttyS0 quiet"),
        *("-drive", f"file={image},if=virtio,format=raw,cache=unsafe", "-device", "qemu-xhci,id=usb"),
        *("-chardev", f"serial,id=bench,path={port}", "-qmp", f"unix:{control},server=on,wait=off"),
        *("-serial", f"file:{folder / 'console.log'}", "-monitor", "none"),
    ]


def try_booted(root: Path, folder: Path) -> None:
    """Boots with each number of processors, follows the script, and prints what it found.

    Raises:
        StepError: something did not hold, or the machine did not come to the end.
    """
    prepare(root)
    for processors in PROCESSORS:
        print(f"booting with {processors} processors", flush=True)
        _try_once(root, folder, processors)


def _try_once(root: Path, folder: Path, processors: int) -> None:
    console = folder / "console.log"
    console.write_text("")
    with simulated_bench(folder) as port:
        process = subprocess.Popen(machine(root, folder, port, processors), stdin=subprocess.DEVNULL)
        try:
            lines = list(_follow(process, console, folder / "qmp"))
        finally:
            process.kill()
            process.wait()
    if not any("@@END" in line for line in lines):
        raise StepError(f"the booted system did not come to the end, see {console}")
    if failed := [line for line in lines if "@@ no" in line]:
        raise StepError("did not hold on the booted system:\n" + "\n".join(failed))


def _follow(process: subprocess.Popen[bytes], console: Path, control_path: Path) -> Iterator[str]:
    """The console's lines as they come; plugs as asked."""
    end_s = time.monotonic() + WHOLE_S
    control: Control | None = None
    with console.open(errors="replace") as log:
        rest = ""
        while time.monotonic() < end_s:
            rest += log.read()
            while "\n" in rest:
                line, _, rest = rest.partition("\n")
                if line.strip():
                    print(line.rstrip(), flush=True)
                if "PLUG" in line:
                    control = control or Control(control_path)
                    if "UNPLUG" in line:
                        control.order("device_del", id="adapter")
                    else:
                        control.order("device_add", driver="usb-serial", id="adapter", chardev="bench", serial=SERIAL, bus="usb.0")
                yield line
            if process.poll() is not None:
                return
            time.sleep(0.2)
