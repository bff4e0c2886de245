"""The shell text that times a machine: the same on production and on every clone.

POSIX sh and coreutils; xz and zstd where they are there. It takes about twelve seconds, 15 at
the most, and is the one thing forerun does on production that writes: at most 50 MB into a
directory of its own, beside what dpkg writes, and only where 1 GiB is free. The directory is
removed at the end, also when the shell is told to end, or the one that started it is gone. (A
shell that is killed outright cannot tidy up: `forerun-speed.*` in /var/tmp or /var/cache is
then left, which holds zeros.)

Each amount of work grows until one repetition takes 0.2 s: /proc/uptime, which costs no
process to read, has hundredths of a second (proc(5)). A repetition begins as one of them
does. dd(1) tells the time of its own writing more finely, and without its own start.
"""

from __future__ import annotations

import shlex

# What a reading may use of production's processor, on top of a survey's own budget.
KIT_CPU_S = 25.0
REPETITIONS = 5
LINK_BYTES = 8_000_000
LINK_ARCHIVES = 4
LINK_S = 5

KIT = r"""(
LC_ALL=C; export LC_ALL; umask 077
room=; wrote=0; s=0; hold=; kinds=
clean() {
  [ -z "$room" ] || { rm -f "$room/sync" "$room/write"; rmdir "$room"; } 2>/dev/null
  room=
}
trap clean EXIT
trap 'clean; exit 129' HUP; trap 'clean; exit 130' INT
trap 'clean; exit 141' PIPE; trap 'clean; exit 143' TERM
command -v timeout >/dev/null && hold='timeout 3'
look() { read -r up rest </proc/uptime; up=${up%.*}${up#*.}; }
edge() { look; start=$up; while [ "$up" = "$start" ]; do look; done; start=$up; }
# Ticks of a processor that this shell and all it waited for have run, proc(5).
own() {
  read -r used </proc/self/stat || used=
  set -- ${used##*) }
  used=$((${12:-0} + ${13:-0} + ${14:-0} + ${15:-0}))
}
state() {
  echo "state $1"
  own; echo "own $used"
  for f in stat loadavg pressure/cpu pressure/io pressure/memory; do
    { read -r line </proc/$f; } 2>/dev/null && echo "$f $line"
  done
}
left() { echo "left $1 $2"; }
# One repetition of a kind of work, of n units.
once() {
  kill -0 $$ 2>/dev/null || exit 143 # the shell that started this one is gone
  took=-; cost=0; own; ran=$used; edge
  do_$1 || { left "$1" "${why:-it failed}"; return 1; }
  look; passed=$((up - start)); own; ran=$((used - ran))
}
note() { echo "time $1 $n $cost $passed $took $ran"; }
more() {
  [ $passed -gt 3 ] && n=$((n * (20 / passed + 1))) || n=$((n * 8))
  [ $n -lt $1 ] || n=$1
}
# Find how many units of a kind take long enough, and keep it for the turns: name, units to
# begin with, the most units, hundredths allowed.
work() {
  n=$2; look; until=$((up + $4)); [ $until -lt $last ] || until=$last
  while look; [ $up -lt $until ]; do
    once "$1" || return
    if [ $passed -lt 20 ] && [ $n -lt $3 ]; then
      more $3
      continue
    fi
    note "$1"; kinds="$kinds $1:$n:$3"
    return
  done
  left "$1" 'there was no time left for it'
}
# The other repetitions, of each kind in its turn: a machine that is slow for a few seconds is
# so for one of each, and not for all of one. Where one takes less than half of what the first
# took at least, that one was held up: more units, and those with fewer do not count.
turns() {
  turn=1
  while [ $turn -lt REPETITIONS ]; do
    turn=$((turn + 1)); again=$kinds; kinds=
    for kind in $again; do
      look; [ $up -lt $last ] || return 0
      own=${kind%%:*}; most=${kind##*:}; n=${kind#*:}; n=${n%:*}
      why='it failed when done again'
      once "$own" || continue
      if [ $passed -lt 10 ] && [ $n -lt $most ]; then more $most; else note "$own"; fi
      kinds="$kinds $own:$n:$most"
    done
  done
}
do_spawn() { i=0; while [ $i -lt $n ]; do /bin/true; i=$((i + 1)); done; }
do_compute() {
  i=0
  while [ $i -lt $n ]; do
    j=0; while [ $j -lt 1000 ]; do s=$(((s * 31 + j) % 65521)); j=$((j + 1)); done
    i=$((i + 1))
  done
}
note_dd() { case $said in *' copied, '*) took=${said##* copied, }; took=${took%% *};; esac; }
do_sort() { cost=2; seq $((n * 1000)) | sort -k 1.2 >/dev/null; }
do_digest() { cost=2; head -c $((n * 100000)) /dev/zero | sha256sum >/dev/null; }
do_sync() {
  wrote=$((wrote + n * 4096))
  if [ -z "$one" ]; then
    said=$($hold dd if=/dev/zero of="$room/sync" bs=4096 count=$n oflag=dsync 2>&1) &&
      { note_dd; return; }
    one=yes
  fi
  i=0; cost=$n
  while [ $i -lt $n ]; do
    $hold dd if=/dev/zero of="$room/sync" bs=4096 count=1 conv=fsync 2>/dev/null || return
    i=$((i + 1))
  done
}
do_write() {
  wrote=$((wrote + n * 1000000)); cost=1
  said=$($hold dd if=/dev/zero of="$room/write" bs=1000000 count=$n conv=fsync 2>&1) && note_dd
}
# Past the caches, as the first reads after a start are; what was just written is there to read.
do_read() { said=$($hold dd if="$room/write" of=/dev/null bs=4096 count=$n iflag=direct 2>&1) &&
  note_dd; }
# A megabyte with as much chance in it as programs have: packed it is a third.
make() { head -c 281250 /dev/urandom | base64 -w 12 | nl -w 18; }
pour() { i=0; while [ $i -lt $n ]; do printf '%s\n' "$packed"; i=$((i + 1)); done | base64 -d; }
do_xz() { cost=2; packed=$packed_xz; pour | xz -dc >/dev/null; }
do_zstd() { cost=2; packed=$packed_zstd; pour | zstd -q -dc >/dev/null; }
place() {
  df -P -k "$1" 2>/dev/null |
    { read -r head; read -r device all used free share point && echo "$free $device $point"; }
}
look; began=$up; last=$((up + 1300))
echo "began $began $(date -u +%Y-%m-%dT%H:%M:%SZ)"
state before
work spawn 5 20000 200
# One program's code may lie well or badly in a processor's (or its emulator's) caches by 20 %:
# three kinds of it.
work compute 3 100000 150
work sort 1 1000 150
work digest 1 20000 200
dpkg=$(place /var/lib/dpkg); why='neither /var/tmp nor /var/cache is where dpkg writes'
for top in /var/tmp /var/cache; do
  here=$(place $top)
  if [ -n "$here" ] && [ "${here#* }" = "${dpkg#* }" ]; then
    why='less than 1 GiB is free'
    if [ "${here%% *}" -ge 1048576 ] 2>/dev/null; then
      why='no directory of its own could be made'
      room=$(mktemp -u "$top/forerun-speed.XXXXXXXX") && mkdir "$room" 2>/dev/null && break
      room=
    fi
  fi
done
if [ -n "$room" ]; then
  rest=${here#* }; point=${rest#* }; kind=
  while read -r device at type rest; do [ "$at" = "$point" ] && kind=$type; done </proc/self/mounts
  echo "on $kind $point"
  one=; why='dd could not write'
  work sync 1 256 150
  work write 1 8 150
  why='dd could not read past the caches'
  work read 8 $((n * 244)) 150
else
  left sync "$why"; left write "$why"; left read "$why"
fi
why='it could not unpack what it had packed'
for tool in xz zstd; do
  look
  if ! command -v $tool >/dev/null; then left $tool "there is no program $tool"
  elif [ $up -ge $last ]; then left $tool 'there was no time left for it'
  else
    [ $tool = xz ] && packed_xz=$(make | xz -c -0 | base64 -w 0) ||
      packed_zstd=$(make | zstd -q -c -3 | base64 -w 0)
    work $tool 1 64 200
  fi
done
turns
clean
state after
look; echo "ended $up $wrote"
)""".replace("REPETITIONS", str(REPETITIONS))

# One archive: host, port, path, bytes at most, and the name it is told under. A transfer gets
# going in its first quarter, which is not timed: a line that could carry more is slow while
# TCP finds out (RFC 5681, 3.1). The other three are timed apart; the next transfer is larger, until
# one takes a while. It ends with 2 where nobody answers, 3 where the file was too small to
# tell much, 1 where it was not what was asked for. In bash, which every Debian has: it can open
# a connection by itself and has a clock of microseconds.
_ONE = r"""host=$1 port=$2 path=$3 left=$4 site=$5 size=65536
start() {
  all=0
  case $site in
  https:*)
    if command -v curl >/dev/null; then
      exec 3< <(curl -s -f -r 0-$((size - 1)) "$site$path")
    else
      exec 3< <(wget -q -O - --max-redirect=0 --tries=1 --header="Range: bytes=0-$((size - 1))" \
        "$site$path")
    fi;;
  *)
    exec 3<>"/dev/tcp/$host/$port" || exit 2
    printf 'GET %s HTTP/1.1\r\nHost: %s\r\nRange: bytes=0-%s\r\nConnection: close\r\n\r\n' \
      "$path" "$host" $((size - 1)) >&3
    read -r version code rest <&3
    while read -r name value <&3 && [ "$name" != $'\r' ]; do
      value=${value%$'\r'}
      case $code:${name,,} in
        206:content-range:) all=${value##*/};;
        200:content-length:) all=$value;;
      esac
    done
    case $code in 200|206) ;; *) exit 1;; esac
    case $all in *[!0-9]*|'') all=0;; esac;;
  esac
}
take() {
  local begin=$EPOCHREALTIME
  got=$(head -c $part <&3 | wc -c); us=$((${EPOCHREALTIME/[.,]/} - ${begin/[.,]/}))
  [ "$got" -eq $part ]
}
exec 2>/dev/null
while :; do
  start
  [ $all = 0 ] || [ $size -le $all ] || size=$all
  part=$((size / 4)); spent=0; said=
  [ $part -gt 0 ] || exit 1
  for turn in 0 1 2 3; do
    take || exit 1
    spent=$((spent + us))
    [ $turn = 0 ] || said="$said $us"
  done
  exec 3>&-
  echo "link $site $((part * 4)) $part$said"
  left=$((left - part * 4))
  # The next one is to be over in two seconds.
  factor=8
  [ $spent -gt 0 ] && [ $((2000000 / spent)) -lt 8 ] && factor=$((2000000 / spent))
  [ $factor -ge 2 ] || exit 0
  next=$((size * factor)); [ $next -le $left ] || next=$left
  [ $all = 0 ] || [ $next -le $all ] || next=$all
  [ $next -ge $((size + size / 2)) ] || { [ $all = 0 ] || [ $all -ge 1000000 ] || exit 3; exit 0; }
  size=$next
done
"""

LINK = rf"""(
LC_ALL=C; export LC_ALL; set -f; most={LINK_BYTES}; archives={LINK_ARCHIVES}
one={shlex.quote(_ONE)}
proxy=$(apt-config dump 2>/dev/null |
  grep -i '^Acquire::http.*::proxy' | grep -v -i -e '"";$' -e '"direct";$')
# `apt-get indextargets` would say all of this, and read every word of every Release file.
lists=$(apt-config shell at Dir::State::lists/d 2>/dev/null | cut -d "'" -f 2)
rows=$({{ ls -S "$lists"; apt-get --print-uris update; }} 2>/dev/null | awk -v "lists=$lists" '
  NF == 1 && /_Packages(\.[a-z0-9]+)?$/ {{ names[++count] = $1 }}
  /^\047[^ ]*\/InRelease\047 / {{
    uri = substr($1, 2, length($1) - 11); name = substr($2, 1, length($2) - 9)
    base = uri; at = index(uri, "/dists/"); if (at) base = substr(uri, 1, at)
    site = base; sub(/\/(\.\/)?$/, "", site)
    for (i = 1; i <= count; i++) if (index(names[i], name) == 1) {{
      rest = substr(names[i], length(name) + 1); sub(/Packages.*/, "Packages", rest)
      gsub(/_/, "/", rest)
      print site, uri rest, base, lists names[i]; break
    }}
  }}')
sites=; count=0
nl='
'
IFS=$nl
for row in $rows; do
  case "$nl$sites" in *"$nl${{row%% *}} "*) continue;; esac
  sites="$sites$row$nl"; count=$((count + 1))
done
tell() {{ echo "left $1 $2"; }}
[ $count -gt 0 ] || tell link 'apt names no index of an archive'
# An index of a few packages is over before it tells a rate: the largest of them, then.
largest() {{
  /usr/lib/apt/apt-helper cat-file "$1" 2>/dev/null | head -c 4000000 |
    awk '/^Filename: / {{ f = $2 }} /^Size: / {{ s = $2 + 0 }}
      /^$/ {{ if (m < s) {{ m = s; b = f }} s = 0 }} END {{ if (m < s) b = f; print b }}'
}}
# What one archive leaves is the others'.
ask() {{
  new=$(timeout {LINK_S} bash -c "$one" one "$host" "$port" "$before$1" $((most / n)) "$site")
  code=$?; got=$got${{got:+${{new:+$nl}}}}$new
  most=$(echo "$new" | awk -v most=$most '{{ most -= $3 }} END {{ print most }}')
}}
for row in $sites; do
  IFS=' '; set -- $row; site=$1 base=$3 list=$4; path=${{2#"$site"}}; why=
  rest=${{site#*://}}; host=${{rest%%/*}}; port=80; before=
  case $rest in */*) before=/${{rest#*/}};; esac
  case $host in *:*) port=${{host##*:}}; host=${{host%:*}};; esac
  case $site in
  *@*) why='its address holds a login'; site=${{site%%:*}}://${{site##*@}};;
  http://*) ;;
  https://*) command -v curl >/dev/null || command -v wget >/dev/null ||
    why='there is neither curl nor wget';;
  *) why='it is fetched by neither http nor https';;
  esac
  case $host in *[!A-Za-z0-9.-]*|'') why=${{why:-'its address is no plain host name'}};; esac
  [ -z "$proxy" ] || why='apt reaches it through a proxy'
  [ $archives -gt 0 ] || why='enough other archives were timed'
  command -v bash >/dev/null && command -v timeout >/dev/null ||
    why=${{why:-'there is no bash or no timeout'}}
  [ -z "$why" ] || {{ tell "link $site" "$why"; count=$((count - 1)); continue; }}
  n=$count; [ $n -le $archives ] || n=$archives
  archives=$((archives - 1)); got=
  case $site in https:*) before=;; esac
  for end in .xz .gz ''; do
    ask "$path$end"
    [ -z "$got" ] && [ $code = 1 ] || break
  done
  if [ $code = 1 ] || [ $code = 3 ]; then
    file=$(largest "$list")
    case $file in ''|*[!A-Za-z0-9._+~:%/-]*) ;; *) ask "${{base#"$site"}}$file";; esac
  fi
  [ -n "$got" ] && echo "$got" || tell "link $site" 'nothing came in the time allowed'
  count=$((count - 1))
done
:)"""
