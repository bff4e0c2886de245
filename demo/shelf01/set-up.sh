#!/bin/sh
# Runs once, as root, on the new shelf01: what its administrators did over the years.
# The files of tree/ are in place already; $1 is the folder of the seed.
set -eu
export DEBIAN_FRONTEND=noninteractive LC_ALL=C.UTF-8

# A vendor's agent, from a file: no archive offers it.
dpkg -i "$1/shelf-agent.deb"
printf 'token = %s\n' "$(cat "$1/agent-token")" >> /etc/shelf-agent/agent.conf

# Packaged files edited in place.
sed -i 's/worker_connections 768;/worker_connections 2048;/' /etc/nginx/nginx.conf
sed -i '/^DEVICESCAN/s|$| -s S/../.././03|' /etc/smartd.conf
printf '%s\n' 'X11Forwarding no' 'ClientAliveInterval 300' >> /etc/ssh/sshd_config
sed -i 's/^X11Forwarding yes/#&/' /etc/ssh/sshd_config
printf '%s\n' 'Lindenholm Records Office' > /etc/issue
cat >> /etc/sysctl.conf <<'END'

# The file watcher follows every folder of the archive.
fs.inotify.max_user_watches=1048576
vm.dirty_background_bytes=67108864
END

for variation in more-edits hazards mended; do
  [ ! -e "$1/$variation.sh" ] || sh "$1/$variation.sh" "$1"
done

# The serial console keeps its settings under a name of the server's own.
mv /etc/default/grub.d/forerun.cfg /etc/default/grub.d/console.cfg

mkdir -p /var/lib/shelf
python3 - <<'END'
import sqlite3
with sqlite3.connect("/var/lib/shelf/catalogue.db") as catalogue:
    catalogue.execute("create table item (shelf text, title text)")
    catalogue.executemany(
        "insert into item values (?, ?)",
        ((f"{i % 12 + 1:02d}", f"invented item {i}") for i in range(1, 401)),
    )
END

systemctl daemon-reload
sysctl --quiet --system
systemctl restart ssh.service
systemctl enable --quiet rsync.service
systemctl restart rsync.service nginx.service
