#!/bin/busybox sh
# First process of the lab's machine: modules, bus, adapter, bluetoothd, a console for orders.
export PATH=/bin
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
while read -r module; do insmod "/modules/$module"; done < /modules/order
ifconfig lo 127.0.0.1 up
ifconfig eth0 10.0.2.15 netmask 255.255.255.0 up
uid=$(sed 's/.*lab_uid=\([0-9]*\).*/\1/' /proc/cmdline)
echo "you:x:$uid:$uid::/:/bin/sh" >> /etc/passwd

start_bluetoothd() {
    bluetoothd -n < /dev/null > /tmp/bluetoothd.log 2>&1 &
    bluetoothd=$!
}
dbus-daemon --config-file=/etc/bus.conf --nofork --nopidfile < /dev/null &
until [ -S /run/dbus/system_bus_socket ]; do usleep 20000; done
# The bus asks the peer's user; outside it is the one who started the lab.
socat "TCP-LISTEN:7000,fork,reuseaddr,nodelay" \
    "UNIX-CONNECT:/run/dbus/system_bus_socket,setuid-early=$uid" < /dev/null &
start_bluetoothd
start_adapter() {
    exec 4>&-
    btattach -B /dev/hvc0 -P h4 < /dev/null > /tmp/btattach.log 2>&1 &
    btattach=$!
}
stop_adapter() {
    kill "$btattach"
    wait "$btattach"
    exec 4<> /dev/hvc0
    stty raw -echo <&4 # else what still comes would be echoed
}
exec 3<> /dev/hvc1
stty raw -echo <&3
echo ready >&3
while read -r order <&3; do
    eval "$order" < /dev/null > /tmp/order.out 2>&1
    code=$?
    cat /tmp/order.out >&3
    echo "done $code" >&3
done
