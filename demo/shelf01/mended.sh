#!/bin/sh
# With `demo/run --mended`: what a rehearsal finds of this server's own was put right before
# the next one. $1 is the folder of the seed.
set -eu

# A new scanner was bought.
rm /etc/ssh/sshd_config.d/old-scanner.conf
# Own settings moved beside the packaged files.
sed -i '/^# The file watcher follows/,$d' /etc/sysctl.conf
sed -i '${/^$/d}' /etc/sysctl.conf
cat > /etc/sysctl.d/60-shelf.conf <<'END'
# The file watcher follows every folder of the archive.
fs.inotify.max_user_watches=1048576
vm.dirty_background_bytes=67108864
END
sed -i -e '/^X11Forwarding no$/d' -e '/^ClientAliveInterval 300$/d' \
  -e 's/^#\(X11Forwarding yes\)/\1/' /etc/ssh/sshd_config
printf '%s\n' 'X11Forwarding no' 'ClientAliveInterval 300' > /etc/ssh/sshd_config.d/shelf.conf
sed -i 's/worker_connections 2048;/worker_connections 768;/' /etc/nginx/nginx.conf
sed -i '/^DEVICESCAN/s| -s S/../.././03$||' /etc/smartd.conf
printf 'Debian GNU/Linux 12 \\n \\l\n\n' > /etc/issue
# The jobs: no module and no command that the next release does not have, no large file in /tmp.
sed -i -e 's/^import telnetlib$/import socket/' \
  -e 's/telnetlib\.Telnet("desk01", 9100, timeout=10)/socket.create_connection(("desk01", 9100), 10)/' \
  -e 's/printer\.write(/printer.sendall(/' /usr/local/bin/shelf-report
cat > /usr/local/bin/shelf-usage <<'END'
#!/bin/sh
# Who logged in how often, for the usage statistics.
set -eu
journalctl --quiet --output=cat --identifier=systemd-logind |
  awk '/^New session/ {count[$NF]++} END {for (name in count) print count[name], name}'
END
sed -i -e 's| /tmp/shelf-stage| /var/tmp/shelf-stage|' -e 's|room in /tmp\.|room in /var/tmp.|' \
  /usr/local/bin/shelf-stage
# The vendor sent an agent that takes any Python.
own=$(mktemp -d)
dpkg-deb --raw-extract "$1/shelf-agent.deb" "$own/agent"
sed -i -e 's/^Version: .*/Version: 1.5/' -e 's/^Depends: .*/Depends: python3/' \
  "$own/agent/DEBIAN/control"
dpkg-deb --root-owner-group --build "$own/agent" "$own/agent.deb" > /dev/null
dpkg --force-confold -i "$own/agent.deb"
rm -r "$own"
# The archive's key is named, and nothing is held.
sed -i 's|^deb |deb [signed-by=/usr/share/keyrings/debian-archive-keyring.gpg] |' \
  /etc/apt/sources.list
apt-mark unhold rsync > /dev/null
