"""Kernel and first root file system of the lab's machine, made from Debian packages."""

from __future__ import annotations

import gzip
import hashlib
import shutil
import subprocess
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).parent
BUILD: Final = HERE / "build"
PROGRAMS: Final = (
    "/bin/busybox",
    "/usr/bin/dbus-daemon",
    "/usr/bin/socat",
    "/usr/bin/btattach",
    "/usr/libexec/bluetooth/bluetoothd",
)
TOOLS: Final = {
    "qemu-system-x86_64": "qemu-system-x86",
    "busybox": "busybox-static",
    "dbus-daemon": "dbus",
    "socat": "socat",
    "btattach": "bluez",
    "depmod": "kmod",
    "cpio": "cpio",
    "dpkg-deb": "dpkg",
}
"""Command to the Debian package that brings it."""
MODULES: Final = (
    "virtio_pci",
    "virtio_net",
    "virtio_console",
    "virtio_rng",
    "hmac",
    "ctr",
    "ecb",
    "cmac",
    "sha256_generic",
    "sha512_generic",
    "drbg",
    "algif_hash",
    "algif_skcipher",
    "bluetooth",
    "hci_uart",
)
KERNEL: Final = "linux-image-amd64"
_PATH: Final = "/usr/sbin:/usr/bin:/sbin:/bin"


class LabError(Exception):
    """The lab cannot be set up; the message says what is missing."""


def missing_tools() -> list[str]:
    """Return the Debian packages that are still to be installed."""
    return sorted({p for tool, p in TOOLS.items() if shutil.which(tool, path=_PATH) is None})


def build_image() -> tuple[Path, Path]:
    """Return kernel and initial file system, made anew when their sources have changed.

    Raises
    ------
    LabError
        If a tool or the kernel's package is not to be had.
    """
    if missing := missing_tools():
        raise LabError(f"missing; as root: apt install {' '.join(missing)}")
    BUILD.mkdir(exist_ok=True)
    kernel = _kernel()
    mark = hashlib.sha256(Path(__file__).read_bytes() + (HERE / "init.sh").read_bytes())
    mark.update(kernel.name.encode())
    for program in PROGRAMS:
        mark.update(str(Path(program).stat().st_mtime_ns).encode())
    image = BUILD / f"initrd-{mark.hexdigest()[:12]}.gz"
    if not image.exists():
        _make(image, kernel)
    return kernel, image


def _kernel() -> Path:
    """Return the kernel's file under the build folder, with its modules in ``lib`` beside it."""
    found = sorted(BUILD.glob("kernel/boot/vmlinuz-*"))
    if found:
        return found[-1]
    _run("apt-get", "download", _kernel_package(), cwd=BUILD)
    (package,) = BUILD.glob("linux-image-*.deb")
    _run("dpkg-deb", "-x", str(package), "kernel", cwd=BUILD)
    package.unlink()
    (kernel,) = BUILD.glob("kernel/boot/vmlinuz-*")
    release = kernel.name.removeprefix("vmlinuz-")
    _run("depmod", "-b", "kernel", release, cwd=BUILD)
    return kernel


def _kernel_package() -> str:
    lines = _run("apt-cache", "depends", KERNEL).splitlines()
    named = [line.split()[-1] for line in lines if "linux-image" in line and "Depends" in line]
    if not named:
        raise LabError(f"the package lists do not know {KERNEL}; as root: apt update")
    return named[0]


def _make(image: Path, kernel: Path) -> None:
    root = BUILD / "root"
    shutil.rmtree(root, ignore_errors=True)
    for folder in ("bin", "dev", "etc", "proc", "sys", "run/dbus", "tmp", "modules"):
        (root / folder).mkdir(parents=True)
    (root / "var/lib/bluetooth").mkdir(parents=True)
    (root / "etc/bluetooth").mkdir()
    shutil.copy("/etc/bluetooth/main.conf", root / "etc/bluetooth")
    for program in PROGRAMS:
        shutil.copy(program, root / "bin" / Path(program).name)
        _copy_libraries(program, root)
    order: list[str] = []
    for name in MODULES:
        order += [m for m in _module_files(name, kernel) if m not in order]
    for file in order:
        shutil.copy(file, root / "modules")
    (root / "modules/order").write_text("".join(f"{Path(m).name}\n" for m in order))
    (root / "init").write_text((HERE / "init.sh").read_text())
    (root / "init").chmod(0o755)
    (root / "etc/bus.conf").write_text((HERE / "bus.conf").read_text())
    (root / "etc/passwd").write_text("root:x:0:0::/:/bin/sh\n")
    (root / "etc/group").write_text("root:x:0:\n")
    names = "\n".join(str(p.relative_to(root)) for p in root.rglob("*"))
    packed = subprocess.run(
        ["cpio", "-o", "-H", "newc", "-R", "0:0", "--quiet"],
        cwd=root,
        input=names.encode(),
        stdout=subprocess.PIPE,
        check=True,
    ).stdout
    part = image.with_suffix(".part")
    part.write_bytes(gzip.compress(packed, 1))
    part.rename(image)
    shutil.rmtree(root)


def _module_files(name: str, kernel: Path) -> list[str]:
    """Return the files to load for a module, those it stands on first; none if built in."""
    release = kernel.name.removeprefix("vmlinuz-")
    said = _run("modprobe", "-D", "-d", "kernel", "-S", release, name, cwd=BUILD)
    files = [line.split()[1] for line in said.splitlines() if line.startswith("insmod")]
    return [str((BUILD / file).resolve()) for file in files]


def _copy_libraries(program: str, root: Path) -> None:
    said = subprocess.run(["ldd", program], capture_output=True, text=True, check=False).stdout
    for word in said.split():
        if word.startswith("/"):
            target = root / word.lstrip("/")
            target.parent.mkdir(parents=True, exist_ok=True)
            if not target.exists():
                shutil.copy(Path(word).resolve(), target)


def _run(*command: str, cwd: Path | None = None) -> str:
    try:
        done = subprocess.run(
            command,
            cwd=cwd,
            env={"PATH": _PATH},
            capture_output=True,
            text=True,
            check=True,
        )
    except subprocess.CalledProcessError as error:
        raise LabError(f"'{' '.join(command)}' failed: {error.stderr.strip()[-300:]}") from error
    return done.stdout
