#!/bin/sh
# With `demo/run --more-edits`: eight further packaged files that somebody edited in place,
# so that there are twelve with those of set-up.sh.
set -eu

sed -i 's/^UMASK.*/UMASK 027/' /etc/login.defs
printf '%s\n' 'alias shelves="ls /srv/archive"' >> /etc/bash.bashrc
sed -i 's/^25 6/35 6/' /etc/crontab
sed -i 's/^#SystemMaxUse=.*/SystemMaxUse=200M/' /etc/systemd/journald.conf
sed -i 's/^#KillUserProcesses=.*/KillUserProcesses=no/' /etc/systemd/logind.conf
printf '%s\n' '# No message of the day for scanners.' >> /etc/pam.d/sshd
sed -i 's/^GRUB_TIMEOUT=.*/GRUB_TIMEOUT=2/' /etc/default/grub
sed -i 's/^rotate 4/rotate 13/' /etc/logrotate.conf
