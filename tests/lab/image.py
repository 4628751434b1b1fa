"""Kernel and first root file system of the lab's machine, made from Debian packages."""

from __future__ import annotations

import gzip
import hashlib
import lzma
import os
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
KERNELS: Final = ("linux-image-6.12-amd64", "linux-image-amd64")
"""Packages of a kernel, the first that there is; the environment's LAB_KERNEL names another."""
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
    named = os.environ.get("LAB_KERNEL")
    wanted = (named,) if named else KERNELS
    for name in wanted:
        if found := sorted((BUILD / name).glob("boot/vmlinuz-*")):
            return found[-1]
    folder, package_name = _kernel_package(wanted)
    _run("apt-get", "download", package_name, cwd=BUILD)
    (package,) = BUILD.glob("linux-image-*.deb")
    _run("dpkg-deb", "-x", str(package), str(folder))
    package.unlink()
    (kernel,) = folder.glob("boot/vmlinuz-*")
    _run("depmod", "-b", str(folder), kernel.name.removeprefix("vmlinuz-"))
    return kernel


def _kernel_package(wanted: tuple[str, ...]) -> tuple[Path, str]:
    """Return where to unpack the first kernel there is, and the package that holds it."""
    for name in wanted:
        try:
            lines = _run("apt-cache", "depends", name).splitlines()
        except LabError:
            continue
        for line in lines:
            if "Depends" in line and "linux-image" in line:
                return BUILD / name, line.split()[-1]
    raise LabError(f"the package lists know none of {', '.join(wanted)}; as root: apt update")


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
    names = []
    for file in order:
        packed = Path(file).read_bytes()
        names.append(Path(file).name.removesuffix(".xz"))
        plain = lzma.decompress(packed) if file.endswith(".xz") else packed
        (root / "modules" / names[-1]).write_bytes(plain)
    (root / "modules/order").write_text("".join(f"{name}\n" for name in names))
    (root / "init").write_text((HERE / "init.sh").read_text())
    (root / "init").chmod(0o755)
    (root / "etc/bus.conf").write_text((HERE / "bus.conf").read_text())
    (root / "etc/passwd").write_text("root:x:0:0::/:/bin/sh\n")
    (root / "etc/group").write_text("root:x:0:\n")
    listed = "\n".join(str(p.relative_to(root)) for p in root.rglob("*"))
    packed = subprocess.run(
        ["cpio", "-o", "-H", "newc", "-R", "0:0", "--quiet"],
        cwd=root,
        input=listed.encode(),
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
    folder = kernel.parents[1]
    said = _run("modprobe", "-D", "-d", str(folder), "-S", release, name)
    return [line.split()[1] for line in said.splitlines() if line.startswith("insmod")]


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
