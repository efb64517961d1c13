"""The disk of the emulated bedside PC: a stock Debian 12 in which the project's own script has installed the project.

    python -m tests.bedside_pc.image          builds what is missing, and prints the folder

Needs root (or sudo that does not ask), and ``HOST_PACKAGES``. What is built is kept in
``$XDG_CACHE_HOME/bedside-midi-router``, in three layers, each under a digest of what goes into it:

    base-*.tar     Debian's packages: two minutes, anew when the list below changes
    wheels-*       the Python packages that pyproject.toml asks for
    image-*        base, wheels, ``guest/`` and the project, as kernel, first file system and disk: half a minute
"""

# ruff: noqa: T201 - printing is what a command does

from __future__ import annotations

import fcntl
import hashlib
import lzma
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.shared.places import ROOT
from tests.shared.sine_bank import write_sine_bank

GUEST = Path(__file__).resolve().parent / "guest"
CACHE = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "bedside-midi-router"

HOST_PACKAGES = ("qemu-system-x86", "mmdebstrap", "cpio", "e2fsprogs", "kmod", "uidmap")
HOST_PROGRAMS = ("qemu-system-x86_64", "mmdebstrap", "cpio", "mke2fs", "unshare")

SUITE, PYTHON = "bookworm", "3.11"
FOR_THE_OLDER = ("typing-extensions>=4.4",)
"""What packages ask for below Python 3.13:
pip judges by the Python that it runs on, which may be newer than the guest's.
"""

PACKAGES = (
    *("systemd", "systemd-sysv", "udev", "kmod", "dbus", "libpam-systemd", "linux-image-amd64"),
    *("busybox-static", "e2fsprogs", "procps", "util-linux", "alsa-utils"),
    # What the project's own script installs: listed here so that it is there without a network.
    *(
        "python3",
        "python3-venv",
        "python3-rtmidi",
        "python3-evdev",
        "libfluidsynth3",
        "fluidsynth",
        "timgm6mb-soundfont",
    ),
)

NOT_NEEDED = (
    *(
        "drivers/gpu",
        "drivers/net",
        "drivers/infiniband",
        "drivers/media",
        "drivers/isdn",
        "drivers/staging",
        "drivers/iio",
    ),
    *(
        "drivers/scsi",
        "drivers/md",
        "drivers/mtd",
        "drivers/nvme",
        "drivers/atm",
        "drivers/bluetooth",
        "drivers/thunderbolt",
    ),
    *(
        "drivers/comedi",
        "drivers/hwmon",
        "drivers/edac",
        "drivers/nfc",
        "drivers/platform",
        "drivers/ata",
        "drivers/target",
    ),
    *(
        "fs/xfs",
        "fs/btrfs",
        "fs/ceph",
        "fs/ocfs2",
        "fs/gfs2",
        "fs/nfs",
        "fs/nfsd",
        "fs/smb",
        "fs/f2fs",
        "fs/jfs",
        "fs/reiserfs",
    ),
    *(
        "net/netfilter",
        "net/ipv4",
        "net/ipv6",
        "net/mac80211",
        "net/wireless",
        "net/bluetooth",
        "net/sched",
        "net/sctp",
    ),
    *("net/tipc", "net/ceph", "net/sunrpc", "net/bridge", "net/openvswitch", "sound/soc", "sound/isa"),
)
"""Parts of the kernel's package that a PC by a bed never loads; without them the image is half as large."""
KEPT = ("drivers/media/mc",)
"""Of those, what others need."""

NEEDED = (
    *("snd-seq", "snd-seq-midi", "snd-hda-intel", "snd-hda-codec-generic", "snd-usb-audio", "usbhid", "hid-generic"),
    *("xhci-pci", "ftdi_sio", "virtio_console", "virtio_rng", "evdev", "joydev", "uinput"),
    *("dummy_hcd", "libcomposite", "usb_f_midi", "usb_f_hid"),
)
"""Modules that must still be there, with all that they need."""

FIRST_MODULES = ("virtio_pci", "virtio_blk", "ext4")
"""What the kernel needs to reach its disk."""

FIRST_PROGRAM = """#!/bin/busybox sh
bb=/bin/busybox
$bb mount -t proc proc /proc; $bb mount -t sysfs sys /sys; $bb mount -t devtmpfs dev /dev
for module in /modules/*; do $bb insmod $module; done
tries=0; while [ ! -b /dev/vda ] && [ $tries -lt 500 ]; do $bb usleep 20000; tries=$((tries+1)); done
$bb mount -t ext4 -o rw,noatime /dev/vda /new || exec $bb poweroff -f
$bb mount --move /dev /new/dev; $bb umount /proc; $bb umount /sys
exec $bb switch_root /new /lib/systemd/systemd
"""

NOT_STARTED = (
    *("apt-daily.timer", "apt-daily-upgrade.timer", "dpkg-db-backup.timer", "e2scrub_all.timer", "fstrim.timer"),
    *("e2scrub_reap.service", "systemd-binfmt.service", "systemd-logind.service", "systemd-update-utmp.service"),
    *(f"modprobe@{module}.service" for module in ("drm", "efi_pstore", "fuse", "loop", "dm_mod")),
    *("dev-hugepages.mount", "dev-mqueue.mount", "sys-kernel-debug.mount", "sys-kernel-tracing.mount"),
)
"""Debian's timers, which would begin in the middle of a test or not, as the date is; and what no router has to do with
and takes a third of the time until an emulated machine is up."""

INSTALLED_FILES = ("router", "profiles", "schemas", "systemd", "pyproject.toml", "README.md", "LICENSE")


class CannotBuild(Exception):
    """What this machine lacks, and how to get it."""


def image() -> Path:
    """The folder that holds ``vmlinux``, ``initrd.img`` and ``root.ext4``, built if it is not there.

    Raises:
        CannotBuild: a program or the right to use it is missing.
    """
    missing = [program for program in HOST_PROGRAMS if shutil.which(program, path=_path()) is None]
    if missing:
        raise CannotBuild(f"the emulated PC needs {', '.join(missing)}: sudo apt-get install {' '.join(HOST_PACKAGES)}")
    folder = CACHE / f"image-{_image_digest()}"
    if folder.exists():
        os.utime(folder)
        return folder
    if os.geteuid():
        _build_as_root()
        return folder
    CACHE.mkdir(parents=True, exist_ok=True)
    with (CACHE / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            with _scratch() as scratch:
                _build(scratch, scratch / "image")
                (scratch / "image").rename(folder)
            _forget("image-*", keep=2)
    return folder


def _build_as_root() -> None:
    command = [
        "sudo",
        "-n",
        f"XDG_CACHE_HOME={CACHE.parent}",
        f"PYTHONPATH={ROOT}",
        sys.executable,
        "-m",
        __spec__.name,
    ]
    if subprocess.run(command, cwd=ROOT, check=False).returncode:
        raise CannotBuild(f"only root can build the emulated PC's disk: {shlex.join(command)}")


def _path() -> str:
    return os.environ.get("PATH", "") + ":/usr/sbin:/sbin"  # where mke2fs is, and not everybody looks


@contextmanager
def _scratch() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="building-", dir=CACHE))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        _run("rm", "-rf", "--one-file-system", str(folder))


def _forget(pattern: str, keep: int) -> None:
    for old in sorted(CACHE.glob(pattern), key=lambda path: path.stat().st_mtime)[:-keep]:
        shutil.rmtree(old) if old.is_dir() else old.unlink()


def _run(*command: str, **options: object) -> str:
    done = subprocess.run(  # type: ignore[call-overload] - passed on
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
        env={**os.environ, "PATH": _path(), "LC_ALL": "C"},
        **options,
    )
    if done.returncode:
        raise CannotBuild(f"{shlex.join(command)[:300]} failed:\n{done.stdout[-3000:]}")
    return str(done.stdout)


# --- what goes in -------------------------------------------------------------------------------------------------


def _digest(parts: Iterable[str | bytes]) -> str:
    summary = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        summary.update(b"%d:" % len(data) + data)
    return summary.hexdigest()[:16]


def _files(*roots: Path) -> Iterator[Path]:
    for root in roots:
        for path in sorted(root.rglob("*")) if root.is_dir() else [root]:
            if path.is_file() and "__pycache__" not in path.parts:
                yield path


def _requirements() -> list[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return [*project["build-system"]["requires"], *project["project"]["dependencies"]]


def _base_digest() -> str:
    return _digest(["1", SUITE, *PACKAGES, *NOT_NEEDED, *KEPT])


def _wheels_digest() -> str:
    return _digest([PYTHON, *_requirements()])


def _image_digest() -> str:
    files = list(
        _files(Path(__file__), ROOT / "tests/shared/sine_bank.py", GUEST, *(ROOT / name for name in INSTALLED_FILES))
    )
    named = [part for path in files for part in (str(path.relative_to(ROOT)), path.read_bytes())]
    return _digest([_base_digest(), _wheels_digest(), *named])


# --- the layers ---------------------------------------------------------------------------------------------------


def _base() -> Path:
    """Debian's packages, as a tar archive, from where this machine's own apt gets them."""
    base = CACHE / f"base-{_base_digest()}.tar"
    if base.exists():
        os.utime(base)
        return base
    excluded = [f"path-exclude=/lib/modules/*/kernel/{part}/*" for part in NOT_NEEDED]
    excluded += [f"path-include=/lib/modules/*/kernel/{part}/*" for part in KEPT]
    excluded += [f"path-exclude=/usr/share/{part}/*" for part in ("man", "doc", "locale", "info")]
    archives = "var/cache/apt/archives"
    (CACHE / "debs").mkdir(exist_ok=True)
    debs = shlex.quote(str(CACHE / "debs"))
    unfinished = base.with_name("unfinished.tar")
    _run(
        *("mmdebstrap", "--variant=minbase", "--mode=root", "--architectures=amd64", f"--include={','.join(PACKAGES)}"),
        *('--aptopt=Apt::Install-Recommends "false"', *(f"--aptopt={line}" for line in _apt_settings())),
        *("--dpkgopt=force-unsafe-io", "--dpkgopt=force-confold", *(f"--dpkgopt={line}" for line in excluded)),
        *("--skip=download/empty", "--skip=essential/unlink"),
        f'--setup-hook=mkdir -p "$1"/{archives}; cp -n {debs}/*.deb "$1"/{archives}/ 2>/dev/null || true',
        # No first file system of Debian's making: it would take a minute, and be thrown away.
        (
            '--essential-hook=mkdir -p "$1"/etc/initramfs-tools; echo update_initramfs=no > '
            '"$1"/etc/initramfs-tools/update-initramfs.conf'
        ),
        f'--customize-hook=cp -n "$1"/{archives}/*.deb {debs}/; rm -rf "$1"/{archives}/*.deb "$1"/var/lib/apt/lists/*',
        (
            '--customize-hook=rm -rf "$1"/etc/apt/sources.list* "$1"/etc/apt/auth.conf* '
            '"$1"/etc/apt/apt.conf.d/99mmdebstrap'
        ),
        *(SUITE, str(unfinished), *_apt_sources()),
    )
    unfinished.rename(base)
    _forget("base-*.tar", keep=2)
    return base


def _apt_settings() -> list[str]:
    """How this machine's apt reaches its mirror."""
    kept = ("Acquire::http::", "Acquire::https::", "Acquire::Retries", "Acquire::Check-")
    return [line for line in _run("apt-config", "dump").splitlines() if line.startswith(kept)]


def _apt_sources() -> list[str]:
    """This machine's own Debian mirror if it is of the same suite; nothing means the public one."""
    listed = [Path("/etc/apt/sources.list"), *sorted(Path("/etc/apt/sources.list.d").glob("*"))]
    debian = [path for path in listed if path.is_file() and "/debian" in (text := path.read_text()) and SUITE in text]
    return [str(path) for path in debian if "debian-archive-keyring" in path.read_text() or path == listed[0]]


def _wheels() -> Path:
    """The project's Python packages, for the Python of the guest."""
    folder = CACHE / f"wheels-{_wheels_digest()}"
    if folder.exists():
        os.utime(folder)
        return folder
    platforms = ("manylinux_2_36_x86_64", "manylinux_2_28_x86_64", "manylinux_2_17_x86_64", "manylinux2014_x86_64")
    unfinished = folder.with_name("unfinished-wheels")
    shutil.rmtree(unfinished, ignore_errors=True)
    _run(
        *(sys.executable, "-m", "pip", "download", "-q", "-d", str(unfinished), "--only-binary=:all:"),
        *("--python-version", PYTHON, "--implementation", "cp"),
        *(word for platform in platforms for word in ("--platform", platform)),
        *_requirements(),
        *FOR_THE_OLDER,
    )
    unfinished.rename(folder)
    _forget("wheels-*", keep=2)
    return folder


def _build(scratch: Path, out: Path) -> None:
    root = scratch / "root"
    root.mkdir()
    out.mkdir()
    _run("tar", "-xpf", str(_base()), "-C", str(root), "--numeric-owner")
    _settle(root)
    _install(root)
    _furnish(root)
    version = _kernel(root, out)
    _first_file_system(root, version, scratch / "first", out / "initrd.img")
    size = int(_run("du", "-sm", str(root)).split()[0]) * 115 // 100 + 160
    _run(
        "mke2fs",
        "-q",
        "-t",
        "ext4",
        "-m",
        "0",
        "-E",
        "lazy_itable_init=1",
        "-d",
        str(root),
        str(out / "root.ext4"),
        f"{size}M",
    )


def _in(root: Path, *command: str) -> str:
    """Run a program in the guest's file system, with its own processes and without this machine's environment."""
    clean = [
        "env",
        "-i",
        "PATH=/usr/sbin:/usr/bin:/sbin:/bin",
        "HOME=/root",
        "LC_ALL=C.UTF-8",
        "DEBIAN_FRONTEND=noninteractive",
    ]
    apart = ["--mount", "--pid", "--fork", f"--root={root}", "--mount-proc"]
    mounted = Path("/proc/self/mountinfo").read_text(encoding="utf-8").splitlines()
    if not any(line.split()[4] == "/" for line in mounted):  # in a chroot, whose root is no mount to be made private
        apart += ["--propagation", "unchanged"]
    return _run("unshare", *apart, *clean, *command)


def _settle(root: Path) -> None:
    """What every machine has of its own."""
    (root / "etc/hostname").write_text("bedside\n")
    (root / "etc/hosts").write_text("127.0.0.1 localhost bedside\n")
    (root / "etc/fstab").write_text("/dev/vda / ext4 rw,noatime 0 0\n")
    (root / "etc/machine-id").write_text("0123456789abcdef0123456789abcdef\n")
    _in(root, "systemctl", "mask", *NOT_STARTED)
    _in(root, "systemctl", "set-default", "multi-user.target")


def _install(root: Path) -> None:
    """As the technician does, but for the network: the packages are there already."""
    source, wheels = root / "usr/src/bedside-midi-router", root / "usr/src/wheels"
    for path in _files(*(ROOT / name for name in INSTALLED_FILES)):
        to = source / path.relative_to(ROOT)
        to.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(path, to)
    shutil.copytree(_wheels(), wheels)
    _in(root, "chown", "-R", "root:root", "/usr/src")
    _in(root, "/usr/src/bedside-midi-router/systemd/install", "--wheels", "/usr/src/wheels")
    shutil.rmtree(wheels)


def _furnish(root: Path) -> None:
    """The test's end of the link, and what the tests play."""
    for path in _files(GUEST):
        to = root / path.relative_to(GUEST)
        _in(root, "install", "-d", f"/{to.parent.relative_to(root)}")
        to.unlink(missing_ok=True)
        shutil.copy(path, to)
        os.chown(to, 0, 0)
        to.chmod(to.stat().st_mode & ~0o022)  # a rule that others can write is not used
    write_sine_bank(root / "usr/local/share/test-sine.sf2")
    _in(root, "systemctl", "enable", "test-link.service")


def _kernel(root: Path, out: Path) -> str:
    """Copy the kernel, unpacked: emulated, unpacking it would take longer than all the rest of the boot."""
    (version,) = (path.name for path in (root / "lib/modules").iterdir())
    _in(root, "depmod", version)
    for module in NEEDED:
        _in(root, "modprobe", "-S", version, "--show-depends", module)
    packed = (root / f"boot/vmlinuz-{version}").read_bytes()
    kernel = lzma.LZMADecompressor(lzma.FORMAT_XZ).decompress(packed[packed.index(b"\xfd7zXZ\0") :])
    (out / "vmlinux").write_bytes(kernel)
    return version


def _first_file_system(root: Path, version: str, folder: Path, out: Path) -> None:
    """A shell, and the modules that reach the disk."""
    for name in ("bin", "dev", "proc", "sys", "new", "modules"):
        (folder / name).mkdir(parents=True)
    shutil.copy2(root / "bin/busybox", folder / "bin/busybox")
    (folder / "init").write_text(FIRST_PROGRAM)
    (folder / "init").chmod(0o755)
    order: dict[str, None] = {}
    for module in FIRST_MODULES:
        for line in _in(root, "modprobe", "-S", version, "--show-depends", module).splitlines():
            if line.startswith("insmod "):
                order[line.split()[1]] = None
    for number, path in enumerate(order):
        shutil.copy2(root / path.lstrip("/"), folder / f"modules/{number:02}-{Path(path).name}")
    _run("sh", "-c", f"find . | cpio --quiet -o -H newc > {shlex.quote(str(out))}", cwd=folder)


if __name__ == "__main__":
    try:
        print(image())
    except CannotBuild as problem:
        sys.exit(str(problem))
