"""The packages of the bench: fetched by apt, checked by its sums, unpacked outside the repository."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path
from urllib.parse import unquote

META_KERNEL = "linux-image-amd64"
# Taken in any case, so that kernel and Bluetooth service are the distribution's own.
ALWAYS = ("bluez", "busybox-static")
# Taken where this machine lacks them; its own root is the virtual machine's too.
NEEDED = (*ALWAYS, "dbus", "iproute2", "kmod")
HERE = Path(__file__).resolve().parent
BOOT_MODULES = ("virtio_pci", "9pnet_virtio", "9p", "overlay")


class CannotRun(Exception):
    """The bench cannot run here; the sentence says the mend."""


def cache_folder() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or str(Path("~/.cache").expanduser())
    return Path(base) / "guard-bench"


def fetch(cache: Path) -> tuple[Path, Path, Path]:
    """Kernel image, initial memory disk and root of the packages, made where not there yet."""
    debs = cache / "debs"
    debs.mkdir(parents=True, exist_ok=True)
    names = [_newest_kernel(), *ALWAYS, *_missing()]
    files = [_deb(name, debs) for name in dict.fromkeys(names)]
    made_of = "\n".join([*(file.name for file in files), _digest(HERE / "guest-init.sh")])
    mark = cache / "made-of"
    root, initrd = cache / "sysroot", cache / "initrd"
    if not mark.exists() or mark.read_text() != made_of:
        mark.unlink(missing_ok=True)
        _unpack(files, root)
        _initrd(root, initrd, cache / "initrd.d")
        mark.write_text(made_of)
    return next((root / "boot").glob("vmlinuz-*")), initrd, root


def _run(*command: str, cwd: Path | None = None) -> str:
    try:
        return subprocess.run(command, cwd=cwd, check=True, capture_output=True, text=True).stdout
    except FileNotFoundError:
        raise CannotRun(f"{command[0]} is missing: the bench needs a Debian machine (or one with its apt)"
                        ) from None
    except subprocess.CalledProcessError as error:
        last = (error.stderr.strip().splitlines() or ["no reason given"])[-1]
        mend = ""
        if command[0] == "apt-get":
            mend = "; is this machine connected, and `sudo apt-get update` done?"
        raise CannotRun(f"`{' '.join(command)}` failed: {last}{mend}") from None


def _newest_kernel() -> str:
    for line in _run("apt-cache", "depends", META_KERNEL).splitlines():
        word = line.split()[-1]
        if line.strip().startswith("Depends:") and word.startswith("linux-image-"):
            return word
    raise CannotRun(f"apt knows no {META_KERNEL}: `sudo apt-get update`, on a Debian machine of type amd64")


def _missing() -> list[str]:
    planned = _run("apt-get", "-s", "--no-install-recommends", "install", *NEEDED)
    return [line.split()[1] for line in planned.splitlines() if line.startswith("Inst ")]


def _deb(name: str, folder: Path) -> Path:
    """The package's file as apt gives it now; its SHA-256 is that of apt's signed list."""
    about: dict[str, str] = {}
    for line in _run("apt-cache", "show", "--no-all-versions", name).splitlines():
        key, colon, value = line.partition(": ")
        if colon and key in ("Version", "SHA256"):
            about.setdefault(key, value.strip())

    def there() -> Path | None:
        return next((file for file in folder.glob(f"{name}_*.deb")
                     if unquote(file.name).split("_")[1] == about["Version"]
                     and _digest(file) == about["SHA256"]), None)

    file = there()
    if file is None:
        print(f"fetching {name} {about['Version']}", flush=True)
        for old in folder.glob(f"{name}_*.deb"):
            old.unlink()
        _run("apt-get", "download", name, cwd=folder)
        file = there()
    if file is None:
        raise CannotRun(f"{name} {about['Version']} came with another SHA-256 than apt lists: "
                        "`sudo apt-get update`")
    return file


def _digest(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()


def _unpack(files: list[Path], root: Path) -> None:
    print("unpacking", flush=True)
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    for file in files:
        _run("dpkg-deb", "-x", str(file), str(root))
    for old in ("lib", "bin", "sbin"):  # the machine's own root has these as links into /usr
        if (root / old).is_dir():
            shutil.copytree(root / old, root / "usr" / old, dirs_exist_ok=True, symlinks=True)
            shutil.rmtree(root / old)
    _run("/sbin/depmod", "-b", str(root / "usr"), _version(root))


def _version(root: Path) -> str:
    return next((root / "usr/lib/modules").iterdir()).name


def _initrd(root: Path, initrd: Path, folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    for name in ("bin", "modules", "proc", "sys", "dev"):
        (folder / name).mkdir(parents=True)
    busybox = root / "usr/bin/busybox"
    shutil.copy2(busybox, folder / "bin/busybox")
    order: list[str] = []
    for module in BOOT_MODULES:
        depends = _run("/sbin/modprobe", "-d", str(root / "usr"), "-S", _version(root), "--show-depends",
                       module)
        for line in depends.splitlines():
            if line.startswith("insmod "):
                file = Path(line.split()[1])
                if file.name not in order:
                    order.append(file.name)
                    shutil.copy2(file, folder / "modules" / file.name)
    (folder / "modules/order").write_text("\n".join(order) + "\n")
    init = folder / "init"
    shutil.copy2(HERE / "guest-init.sh", init)
    init.chmod(0o755)
    names = "\n".join(str(path.relative_to(folder)) for path in sorted(folder.rglob("*")))
    with initrd.open("wb") as out:
        subprocess.run([str(busybox), "cpio", "-o", "-H", "newc"], cwd=folder, input=names.encode(),
                       stdout=out, stderr=subprocess.DEVNULL, check=True)
