#!/usr/bin/env bash
# Build the test machine: a Debian root with systemd, a kernel with its modules
# (gpio-sim and bench_spi built from source, Debian ships neither), a small initrd.
# Idempotent: each step leaves a stamp; delete a stamp (or pass --fresh) to redo it.
#
#   LASTBUBBLE_VM    where the machine lives      (default: ~/.cache/lastbubble-vm)
#   LASTBUBBLE_PIP   packages for the guest venv  (default: the project's run-time ones)
#
# Runs as root (debootstrap, chroot). Debian mirror and Python index are whatever
# this machine is configured with.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
vm=${LASTBUBBLE_VM:-${XDG_CACHE_HOME:-$HOME/.cache}/lastbubble-vm}
pip_packages=${LASTBUBBLE_PIP:-gpiozero lgpio adafruit-circuitpython-max31855 pyserial minimalmodbus paho-mqtt pyyaml pydantic numpy gpiod}
suite=bookworm
[ "${1:-}" = --fresh ] && rm -rf "$vm"
mkdir -p "$vm"; cd "$vm"
export PATH=$PATH:/usr/sbin:/sbin DEBIAN_FRONTEND=noninteractive LC_ALL=C.UTF-8
say() { printf '%4ds  %s\n' "$SECONDS" "$*"; }
step() { say "$1"; [ ! -e ".$1" ] && rm -f .image; }     # true when the step must run
done_() { touch ".$1"; }

if step tools; then
    apt-get update -qq
    apt-get install -y -qq --no-install-recommends qemu-system-x86 qemu-utils debootstrap \
        e2fsprogs kmod cpio busybox-static gcc make libelf-dev xz-utils linux-source-6.1 >/dev/null
    done_ tools
fi
image_package=$(apt-cache depends linux-image-amd64 | awk '/Depends: linux-image-/{print $2; exit}')
kver=${image_package#linux-image-}

if step kernel; then
    apt-get install -y -qq --no-install-recommends "linux-headers-$kver" >/dev/null
    rm -rf kernel; mkdir kernel
    (cd kernel && apt-get download -qq "$image_package" 2>/dev/null && dpkg-deb -x ./*.deb . && rm ./*.deb)
    cp "kernel/boot/vmlinuz-$kver" vmlinuz
    done_ kernel
fi

if step modules; then
    rm -rf modules; mkdir modules
    tar -xJf /usr/src/linux-source-6.1.tar.xz -C modules --strip-components=3 \
        linux-source-6.1/drivers/gpio/gpio-sim.c linux-source-6.1/drivers/gpio/gpiolib.h \
        linux-source-6.1/kernel/irq/irq_sim.c
    cd modules
    cp "$here"/modules/* .
    mv gpio-sim.c gpio-sim-core.c
    # Outside the kernel image irq_to_desc() is not exported; the public call does the same here.
    sed -i 's/handle_simple_irq(irq_to_desc(irqnum))/generic_handle_irq(irqnum)/' irq_sim.c
    # gpio-sim drops a freed line to its pull. Raspberry Pi's kernels keep the driven level by
    # default; persist_outputs=1 (writable at run time) makes gpio-sim do the same.
    sed -i -e 's/^static DEFINE_IDA(gpio_sim_ida);/&\n\nstatic bool persist_outputs;\nmodule_param(persist_outputs, bool, 0644);/' \
        -e '/^static void gpio_sim_free/,/^}/s/^\tmutex_lock/\tif (persist_outputs \&\& !test_bit(offset, chip->direction_map))\n\t\treturn;\n&/' gpio-sim-core.c
    [ "$(grep -c persist_outputs gpio-sim-core.c)" = 3 ]
    make -s -C "/usr/src/linux-headers-$kver" M="$PWD" modules 2>&1 | grep -v BTF || true
    [ -e gpio-sim.ko ] && [ -e bench_spi.ko ] && [ -e bench_hang.ko ]
    cd ..
    done_ modules
fi

if step root; then
    mirror=$({ cat /etc/apt/sources.list.d/*.sources /etc/apt/sources.list 2>/dev/null || true; } |
        sed -n 's/^URIs: *//p; s/^deb \(\[[^]]*\] \)\{0,1\}\([^ ]*\) .*/\2/p' | sed -n 1p)
    rm -rf root
    debootstrap --variant=minbase --include=systemd,systemd-sysv,dbus,udev,kmod,procps,iproute2,python3,python3-venv,qemu-guest-agent \
        $suite root "$mirror" >debootstrap.log
    rm -rf root/var/cache/apt/archives/*.deb root/var/lib/apt/lists/* root/usr/share/{doc,man,locale}/*
    done_ root
fi

if step python; then
    rm -rf wheels; mkdir wheels
    # shellcheck disable=SC2086  # the packages are a list
    python3 -m pip download -q -d wheels --only-binary=:all: --implementation cp --python-version 3.11 \
        --abi cp311 --abi abi3 --abi none --platform manylinux_2_34_x86_64 --platform manylinux_2_28_x86_64 \
        --platform manylinux_2_17_x86_64 --platform manylinux2014_x86_64 --platform any $pip_packages 2>/dev/null
    rm -rf root/opt/venv root/wheels; cp -r wheels root/wheels
    clean="env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root"
    $clean chroot root python3 -m venv /opt/venv
    # shellcheck disable=SC2086
    $clean chroot root /opt/venv/bin/pip install -q --disable-pip-version-check --no-index --find-links /wheels $pip_packages
    rm -rf root/wheels
    done_ python
fi

if step guest; then
    mods=root/lib/modules/$kver
    rm -rf root/lib/modules; mkdir -p "$mods/extra"
    cp kernel/lib/modules/"$kver"/modules.{order,builtin,builtin.modinfo} "$mods/"
    [ -e "kernel/lib/modules/$kver/modules.dep" ] || depmod -b kernel "$kver"
    want="virtio_pci virtio_blk virtio_console virtio_rng ext4 crc32c_generic i6300esb iTCO_wdt softdog
          configfs autofs4 fuse"
    for m in $want; do
        modprobe -d kernel -S "$kver" --show-depends "$m" | awk '$1=="insmod"{print $2}'
    done | awk '!seen[$0]++' >module.list
    while read -r f; do
        install -D -m644 "$f" "$mods/${f#*/lib/modules/"$kver"/}"
    done <module.list
    cp modules/*.ko "$mods/extra/"
    depmod -b root "$kver"

    cp -r "$here"/guest/etc "$here"/guest/usr root/
    echo bench >root/etc/hostname
    echo '/dev/vda / ext4 errors=remount-ro 0 1' >root/etc/fstab
    mkdir -p root/var/log/journal
    chroot root systemctl -q enable bench-devices.service
    chroot root systemctl -q mask getty@tty1.service systemd-timesyncd.service apt-daily.timer \
        apt-daily-upgrade.timer systemd-binfmt.service proc-sys-fs-binfmt_misc.automount \
        dpkg-db-backup.timer e2scrub_all.timer e2scrub_reap.service fstrim.timer
    done_ guest
fi

if step initrd; then
    rm -rf initrd; mkdir -p initrd/{bin,dev,proc,sys,mod,new}
    cp "$(command -v busybox)" initrd/bin/busybox
    : >initrd/mod/order
    for m in virtio_pci virtio_blk crc32c_generic ext4 i6300esb; do
        modprobe -d kernel -S "$kver" --show-depends $m | awk '$1=="insmod"{print $2}'
    done | awk '!seen[$0]++' | while read -r f; do
        cp "$f" initrd/mod/; echo "${f##*/}" >>initrd/mod/order
    done
    cp "$here/guest/init" initrd/init; chmod 755 initrd/init
    (cd initrd && find . | cpio -o -H newc --quiet | gzip -1) >initrd.gz
    done_ initrd
fi

if step image; then
    rm -f base.img
    mke2fs -q -t ext4 -L bench -d root base.img 1200M
    done_ image
fi
say "ready: kernel $kver, $(du -h --apparent-size base.img | cut -f1) image, $(du -h base.img | cut -f1) on disk"
