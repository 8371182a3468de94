"""Follows deploy/README.md step by step in a Debian that has nothing but its smallest set of packages.

    python -m tests.deploy.clean_root [--suite trixie] [--folder DIR] [--from COMMIT] [--boot]

Needs root, debootstrap and the network; with --boot also qemu-system-x86_64. Makes DIR/base-SUITE once and keeps it, and works in a copy,
DIR/root-SUITE. With --from that state of the project is installed first, and the upgrade is one from it. Commands run by chroot(2) in mount
and process namespaces of their own, so nothing is left mounted or running. There systemctl and udevadm say that they ignore what needs a
running system; that part is what --boot is for (see booted.py).
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tests.databases import free_port
from tests.deploy.document import GUIDE, ROOT, StepError, blocks

CHECKOUT = "/root/loadlog"
DATA, CONFIG, BACKUP = "/var/lib/loadlog", "/etc/loadlog/bench.toml", "/var/backups/loadlog"
LOADLOG = "/opt/loadlog/bin/loadlog"
AS_USER = f"runuser -u loadlog -- {LOADLOG}"
EXEC_AS_USER = f"setpriv --reuid loadlog --regid loadlog --init-groups {LOADLOG}"  # takes the signals itself
# What every installed Debian has beyond debootstrap's smallest set; the kernel is for the emulator only.
SYSTEM = ["systemd", "systemd-sysv", "udev", "dbus", "kmod", "iproute2"]
KERNEL = ["linux-image-amd64"]
OWN_LINE = '#SUBSYSTEM=="tty", ENV{ID_SERIAL_SHORT}=="B20", SYMLINK+="bench/other"\n'
SIMULATED = """
[bench]
name = "simulated"
data_dir = "/var/lib/loadlog"

[[bus]]
name = "rack"
kind = "modbus-rtu"
port = "/run/bench/rack"
baudrate = 19200

[[device]]
name = "load-1"
role = "load"
bus = "rack"
unit_id = 1
profile = "shipped:simulated-load"
rate_hz = 5
sense = "remote"

[web]
tcp_port = {tcp_port}
token_file = "{token_file}"
"""


class Root:
    """A root folder in which commands are run."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def _command(self, script: str) -> list[str]:
        mounts = " && ".join(
            [
                f"mount -t proc proc {self.path}/proc",
                f"mount -t sysfs -o ro sysfs {self.path}/sys",
                f"mount --rbind /dev {self.path}/dev",
                f"mount -t tmpfs tmpfs {self.path}/tmp",
            ]
        )
        # Not the first process: systemctl tells a chroot by the root folder of process 1.
        inside = f'{mounts} && chroot {self.path} /bin/sh -euc "$1"; exit $?'
        return ["unshare", "--mount", "--propagation", "private", "--pid", "--fork", "--kill-child", "/bin/sh", "-c", inside, "sh", script]

    @staticmethod
    def _environment() -> dict[str, str]:
        """Nothing of ours but the way to the network."""
        passed = {name: value for name, value in os.environ.items() if name.lower() in ("http_proxy", "https_proxy", "no_proxy")}
        passed |= {name: os.environ[name] for name in ("PIP_INDEX_URL",) if name in os.environ}
        return passed | {
            "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
            "HOME": "/root",
            "LANG": "C.UTF-8",
            "DEBIAN_FRONTEND": "noninteractive",
            "PIP_CERT": "/etc/ssl/certs/ca-certificates.crt",
        }

    def run(self, script: str, name: str = "") -> str:
        """Standard output of a script that must succeed.

        Raises:
            StepError: it did not; with what it said last.
        """
        done = subprocess.run(self._command(script), env=self._environment(), capture_output=True, text=True, check=False)
        if done.returncode:
            raise StepError(f"{name or script.strip()}: exit status {done.returncode}\n{done.stdout[-1500:]}\n{done.stderr[-3000:]}")
        return done.stdout

    @contextlib.contextmanager
    def running(self, prepare: str, service: str) -> Iterator[None]:
        """A service that goes on until the block ends, and is then asked to end as systemd does (SIGTERM).

        Raises:
            StepError: it ended by itself, or not in order.
        """
        stop = self.path / "run/stop"
        stop.unlink(missing_ok=True)
        script = (
            f"{prepare}\n{service} & served=$!\nwhile [ ! -e /run/stop ]; do sleep 0.2; kill -0 $served; done\nkill $served; wait $served"
        )
        process = subprocess.Popen(self._command(script), env=self._environment(), stdout=subprocess.DEVNULL)
        try:
            yield
            stop.touch()
            if status := process.wait(60):
                raise StepError(f"{service}: exit status {status}")
        finally:
            process.kill()
            process.wait()


def base(folder: Path, suite: str) -> Path:
    """The clean Debian, made once."""
    path = folder / f"base-{suite}"
    if not (path / "made").exists():
        shutil.rmtree(path, ignore_errors=True)
        subprocess.run(
            ["debootstrap", "--variant=minbase", "--include=ca-certificates", suite, path], check=True, stdout=subprocess.DEVNULL
        )
        (path / "usr/sbin/policy-rc.d").write_text("#!/bin/sh\nexit 101\n")  # invoke-rc.d(8): start nothing
        (path / "usr/sbin/policy-rc.d").chmod(0o755)
        Root(path).run(f"apt-get update && apt-get install --yes --no-install-recommends {' '.join(SYSTEM + KERNEL)}")
        (path / "made").touch()
    return path


def fresh(folder: Path, suite: str) -> Root:
    """A copy of the clean Debian."""
    clean, path = base(folder, suite), folder / f"root-{suite}"
    shutil.rmtree(path, ignore_errors=True)
    subprocess.run(["cp", "-a", "--reflink=auto", clean, path], check=True)
    # A network that looks into TLS has an authority of its own; the guide's reader has it installed.
    shutil.copy("/etc/ssl/certs/ca-certificates.crt", path / "etc/ssl/certs/ca-certificates.crt")
    shutil.copy("/etc/resolv.conf", path / "etc/resolv.conf")
    return Root(path)


def check_out(root: Root, commit: str = "") -> None:
    """Puts the project into the root as it is here, or as it was at a commit, in the place of what was there."""
    into = root.path / CHECKOUT[1:]
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir(parents=True)
    if commit:
        packed = subprocess.run(["git", "archive", commit], cwd=ROOT, check=True, capture_output=True).stdout
    else:
        files = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True).stdout
        packed = subprocess.run(["tar", "-c", "--null", "-T", "-"], cwd=ROOT, check=True, input=files, capture_output=True).stdout
    subprocess.run(["tar", "-x", "-C", into], check=True, input=packed)


class Guide:
    """The document's steps in one root; each says what it proved."""

    def __init__(self, root: Root, earlier: str = "") -> None:
        self._root, self._earlier, self._blocks = root, earlier, blocks(GUIDE.read_text(encoding="utf-8"))
        self._open = list(self._blocks)
        self._own_rules = root.path / "etc/udev/rules.d/70-loadlog-serial.rules"

    def _step(self, heading: str) -> str:
        self._open.remove(heading)
        begun = time.monotonic()
        said = self._root.run(f"cd {CHECKOUT}\n{self._blocks[heading]}", heading)
        self._say(f"{heading}: done in {time.monotonic() - begun:.0f} s")
        return said

    @staticmethod
    def _say(line: str) -> None:
        print(line, flush=True)

    def _expect(self, what: str, holds: bool) -> None:
        if not holds:
            raise StepError(f"not so: {what}")
        self._say(f"  {what}")

    def follow(self) -> None:
        """From nothing to a restored bench."""
        check_out(self._root, self._earlier)
        self._step("Install")
        self._step("Configure")
        self._expect("configuration and profiles are there, not for everybody", self._mode(CONFIG) == 0o640)
        self._step("Start")
        self._expect("both units are enabled", all(self._wanted(part) for part in ("recorder", "viewer")))
        self._simulated_bench()
        self._step("Secrets")
        self._expect("only root reads the secret", self._mode("/etc/credstore/loadlog-web-token") == 0o600)
        with self._service():
            # Without an end: a root that is booted days later still finds it on.
            self._root.run(f"{AS_USER} run start soak --device load-1 --config {CONFIG}")
            self._people()
            time.sleep(6)
            self._own_rules.write_text(self._own_rules.read_text() + OWN_LINE)
            self._step("Back up")
        self._expect("the run is listed", "soak-0001" in self._root.run(f"{AS_USER} run list --config {CONFIG}"))
        shutil.rmtree(self._root.path / DATA[1:])
        self._own_rules.write_text("")
        self._step("Restore")
        self._expect("our own rules for ports are restored", self._own_rules.read_text().endswith(OWN_LINE))
        self._expect("the restored run is listed", "soak-0001" in self._root.run(f"{AS_USER} run list --config {CONFIG}"))
        self._old_recording()
        first = (self._root.path / "opt/loadlog").readlink()
        check_out(self._root)
        before = self._checkout()
        self._step("Upgrade")
        self._expect("nothing is left behind in the checkout", self._checkout() == before)
        second = (self._root.path / "opt/loadlog").readlink()
        self._expect("another release is in use", first != second)
        with self._service():
            shown = self._root.run(f"{AS_USER} run show soak-0001 --config {CONFIG}")
        self._expect("the run went on after backup, loss, restoring and upgrade, with its gap told", "sample_gap" in shown)
        listed = self._root.run(f"{AS_USER} run list --config {CONFIG}")
        self._expect("a recording of format 1 is listed beside it", "fixture-0001" in listed and "soak-0001" in listed)
        self._step("Roll back")
        self._expect("the first release is in use again", (self._root.path / "opt/loadlog").readlink() == first)
        with self._service():
            shown = self._root.run(f"{AS_USER} run show soak-0001 --config {CONFIG}")
        self._expect("and the run goes on in it", shown.count("sample_gap") > 1)
        self._refused_configuration()
        self._expect("every block of the guide was run", not self._open)

    def _people(self) -> None:
        """Who is in the group reads and gives orders; who is not can do neither."""
        self._root.run("useradd member; useradd other; usermod --append --groups loadlog member")
        for order in ("run list", "events", "store status", "run note looked-at"):
            command = f"{LOADLOG} {order} --config {CONFIG}"
            self._root.run(f"runuser -u member -- {command}\n! runuser -u other -- {command}")
        self._expect(
            "the group reads and gives orders, others do not",
            "looked-at" in self._root.run(f"{AS_USER} run show soak-0001 --config {CONFIG}"),
        )

    def _checkout(self) -> list[Path]:
        return sorted((self._root.path / CHECKOUT[1:]).iterdir())

    def _mode(self, path: str) -> int:
        return (self._root.path / path[1:]).stat().st_mode & 0o777

    def _wanted(self, part: str) -> bool:
        return (self._root.path / f"etc/systemd/system/multi-user.target.wants/loadlog-{part}.service").is_symlink()

    def _simulated_bench(self) -> None:
        """What the reader does with an editor."""
        # A chroot shares the ports of the machine it is on.
        (self._root.path / CONFIG[1:]).write_text(SIMULATED.format(tcp_port=free_port(), token_file="/etc/loadlog/token"))
        (self._root.path / "etc/loadlog/token").write_text("a-token-that-is-long-enough\n")
        self._root.run(f"install -d -m 750 -o loadlog -g loadlog {DATA}")  # StateDirectory= does it on a running system
        self._root.run(f"{LOADLOG} check --config {CONFIG}")
        said = self._root.run(f"{self._simulator()}\n{AS_USER} serve --once --json --config {CONFIG}")
        volts = next(c["value"] for c in json.loads(said.splitlines()[0])["channels"] if c["name"] == "voltage_v")
        self._expect(f"serve --once reads the simulated load, {volts:.2f} V", 11.5 < volts < 12.1)

    @contextlib.contextmanager
    def _service(self) -> Iterator[None]:
        """Simulated bench and service, as the units would run it."""
        with self._root.running(self._simulator(), f"{EXEC_AS_USER} serve --config {CONFIG}"):
            time.sleep(12)
            yield

    @staticmethod
    def _simulator() -> str:
        """Starts the simulated bench; its port is a pseudo-terminal that only its owner may open."""
        simulate = f"{LOADLOG} simulate config/simulated/one-supply.toml --paced --links /run/bench"
        return f"cd {CHECKOUT}; {simulate} >/dev/null & sleep 4; chmod a+rw $(readlink -f /run/bench/rack)"

    def _old_recording(self) -> None:
        """One of format 1 among the recordings of the present one."""
        packed = ROOT / "tests/data/store/format-1/run-fixture-0001.sqlite.gz"
        (self._root.path / DATA[1:] / "recordings" / packed.stem).write_bytes(gzip.decompress(packed.read_bytes()))
        self._root.run(f"chown loadlog:loadlog {DATA}/recordings/*")

    def _refused_configuration(self) -> None:
        """A release that refuses the configuration must not be put in use."""
        config = self._root.path / CONFIG[1:]
        kept, before = config.read_text(), (self._root.path / "opt/loadlog").readlink()
        releases = sorted((self._root.path / "opt/loadlog-releases").iterdir())
        config.write_text(kept + "\n[nonsense]\n")
        with contextlib.suppress(StepError):
            self._root.run(f"cd {CHECKOUT}; sh deploy/install.sh")
            raise AssertionError("an upgrade with a configuration that is refused went through")
        config.write_text(kept)
        self._expect("a release that refuses the configuration is not put in use", (self._root.path / "opt/loadlog").readlink() == before)
        self._expect("and does not stay", releases == sorted((self._root.path / "opt/loadlog-releases").iterdir()))


def main() -> int:
    """Exit status 0 when every step had its effect."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--suite", default="trixie", help="Debian release")
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp/loadlog-clean-root"), help="where the roots are made")
    parser.add_argument("--from", dest="earlier", default="", metavar="COMMIT", help="what is installed first, instead of what is here")
    parser.add_argument("--boot", action="store_true", help="boot the root afterwards, with an emulated adapter")
    parser.add_argument("--only-boot", action="store_true", help="boot the root that an earlier run left")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    try:
        root = Root(options.folder / f"root-{options.suite}")
        if not options.only_boot:
            root = fresh(options.folder, options.suite)
            Guide(root, options.earlier).follow()
        if options.boot or options.only_boot:
            from tests.deploy.booted import try_booted

            try_booted(root.path, options.folder)
    except (StepError, AssertionError) as exc:
        print(exc, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
