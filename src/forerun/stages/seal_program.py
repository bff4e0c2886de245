"""The program that tries ways out of a clone, on the clone. Pure text.

One process tries all ways at once, so that a probe costs an emulated clone two or three
starts of a program and the time limit of a silent way. perl-base is essential on Debian
(Debian Policy 3.8); curl, nc, ping and Python may be missing.

For the outside addresses it lays routes over the lab host, as an intruder would, and
turns IPv6 on; when it ends, whatever ends it, nothing of that is left.

Documents: ip(7), udp(7), raw(7), icmp (RFC 792, RFC 4443), ip-route(8), proc(5).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from forerun.stages.design import ACCESS_PORT
from forerun.stages.seal_ways import LAB_HOST, LOOPBACK, WayOut
from forerun.stages.seed import GATEWAY_PORT

TRY_S = 4
# Longer than the gateway takes to refuse on a busy lab host; a refusal comes at once.
GATEWAY_S = 15
CONTROL_TCP = "control-tcp"
CONTROL_UDP = "control-udp"
CONTROL_ICMP = "control-icmp"
CONTROL_GATEWAY = "control-gateway"
# The user network's own prefix for IPv6 (QEMU's manual, `ipv6-prefix`), and its router.
_OWN_6, _ROUTER_6 = "fec0::f", "fec0::2"
# Marks the probe's routes as its own (ip-route(8), `proto`): no other ones are taken away.
_ROUTE_MARK = 200

# Each input line: name, kind, address, port, seconds, payload in hex or "-", and 1 when a
# route is to be laid. Each output line: name, state, what came (hex). States: `connected`,
# `answered`, `silent`, `waiting` (connected, and nothing came), `ended` (closed without an
# answer), `failed-ERRNO`.
_PROGRAM = r"""use strict;
use Socket qw(:DEFAULT inet_pton pack_sockaddr_in6 AF_INET6 SO_ERROR);
use Fcntl;
use Errno;

my (%open, @undo, $switch, $was);
my $began = time;

sub name_error {
  my $code = $! + 0;
  my ($name) = grep { $! = $code; $!{$_} } sort keys %!;
  return 'failed-' . ($name || $code);
}

sub tell_end {
  my ($name, $state, $got) = @_;
  delete $open{$name};
  print "$name $state ", unpack('H*', defined $got ? $got : ''), "\n";
  return;
}

sub put {
  my ($path, $text) = @_;
  open(my $out, '>', $path) or return;
  print $out $text;
}

sub run_ip {
  local $SIG{PIPE} = 'IGNORE';
  open(my $in, '|-', 'ip -force -batch - >/dev/null 2>&1') or return;
  print $in map { "$_\n" } @_;
  close($in);
}

sub lay_routes {
  my ($link, $six, @lines);
  open(my $table, '<', '/proc/net/route') or return;
  while (<$table>) { my @field = split; $link = $field[0] if $field[1] eq '@NETWORK@' }
  return unless defined $link;
  for my $to (@_) {
    if ($to =~ /:/) {
      $six = 1;
      push @lines, "route add $to via @ROUTER6@ dev $link proto @MARK@";
    } else {
      push @lines, "route add $to via @LAB@ dev $link proto @MARK@";
    }
  }
  @undo = map { s/^route add/route del/r } @lines;
  if ($six) {
    unshift @lines, "address add @OWN6@/64 dev $link nodad";
    push @undo, "address del @OWN6@/64 dev $link";
    $switch = "/proc/sys/net/ipv6/conf/$link/disable_ipv6";
    if (open(my $now, '<', $switch)) { chomp($was = <$now>); put($switch, "0\n") if $was }
  }
  run_ip(@lines);
}

END {
  my $code = $?;
  run_ip(@undo) if @undo;
  put($switch, "$was\n") if $was;
  $? = $code;
}
$SIG{$_} = sub { exit 1 } for qw(INT TERM HUP PIPE);

sub add_up {
  my $sum = 0;
  $sum += $_ for unpack('n*', $_[0]);
  $sum = ($sum >> 16) + ($sum & 0xffff) for 1, 2;
  return ~$sum & 0xffff;
}

sub begin {
  my ($name, $kind, $address, $port, $seconds, $payload) = @_;
  my $six = $address =~ /:/;
  my $to = $six ? pack_sockaddr_in6($port, inet_pton(AF_INET6, $address))
    : sockaddr_in($port, inet_aton($address));
  my %try = (kind => $kind, six => $six, payload => $payload, got => '');
  $try{until} = $began + $seconds;
  my $type = $kind eq 'icmp' ? SOCK_RAW : $kind =~ /udp|echo/ ? SOCK_DGRAM : SOCK_STREAM;
  my $protocol = $kind ne 'icmp' ? 0 : $six ? 58 : 1;
  socket($try{link}, $six ? AF_INET6 : AF_INET, $type, $protocol)
    or return tell_end($name, name_error());
  fcntl($try{link}, F_SETFL, O_NONBLOCK);
  my $sent = 1;
  if ($kind eq 'tcp' || $kind eq 'http') {
    $try{up} = 0;
    $sent = connect($try{link}, $to) || $!{EINPROGRESS};
  } elsif ($kind eq 'echo') {
    socket(my $far, AF_INET, SOCK_DGRAM, 0);
    bind($far, sockaddr_in(0, INADDR_LOOPBACK));
    $sent = send($try{link}, $payload, 0, getsockname($far));
    my $from = $sent && recv($far, my $said, 64, 0);
    send($far, $said, 0, $from) if $from;
  } elsif ($kind eq 'icmp') {
    $try{id} = ($$ + keys %open) & 0xffff;
    my $echo = pack('CCnnn', $six ? 128 : 8, 0, 0, $try{id}, 1) . $payload;
    substr($echo, 2, 2) = pack('n', add_up($echo)) unless $six;
    $sent = send($try{link}, $echo, 0, $to);
  } else {
    $sent = send($try{link}, $payload, 0, $to);
  }
  return tell_end($name, name_error()) unless $sent;
  $open{$name} = \%try;
}

sub go_on {
  my ($name, $try) = @_;
  $! = unpack('i', getsockopt($try->{link}, SOL_SOCKET, SO_ERROR));
  return tell_end($name, name_error()) if $! + 0;
  $try->{up} = 1;
  syswrite($try->{link}, $try->{payload});
  tell_end($name, 'connected') if $try->{kind} eq 'tcp';
}

sub take_stream {
  my ($name, $try) = @_;
  my $count = sysread($try->{link}, $try->{got}, 4096, length $try->{got});
  return if $count && length $try->{got} < 8192 || !defined $count && $!{EAGAIN};
  return tell_end($name, 'answered', $try->{got}) if length $try->{got};
  tell_end($name, defined $count ? 'ended' : name_error());
}

sub take_packet {
  my ($name, $try) = @_;
  if (!defined recv($try->{link}, my $got, 1024, 0)) {
    return $!{EAGAIN} ? undef : tell_end($name, name_error());
  } elsif ($try->{kind} eq 'icmp') {
    $got = substr($got, 4 * (ord($got) & 15)) unless $try->{six};
    my ($type, undef, undef, $id) = unpack('CCnn', $got);
    tell_end($name, 'answered', $got) if $type == ($try->{six} ? 129 : 0) && $id == $try->{id};
  } else {
    tell_end($name, 'answered', $got);
  }
}

my @lines = map { chomp; [split] } <DATA>;
my %routed = map { $_->[2] => 1 } grep { $_->[6] } @lines;
lay_routes(sort keys %routed) if %routed;
$began = time;
for my $line (@lines) {
  begin(@$line[0 .. 4], $line->[5] eq '-' ? '' : pack('H*', $line->[5]));
}
while (%open) {
  my ($read, $write) = ('', '');
  for my $name (keys %open) {
    my $try = $open{$name};
    if (time > $try->{until}) {
      my $state = length $try->{got} ? 'answered' : $try->{up} ? 'waiting' : 'silent';
      tell_end($name, $state, $try->{got});
    } else {
      vec(defined $try->{up} && !$try->{up} ? $write : $read, fileno $try->{link}, 1) = 1;
    }
  }
  next if select($read, $write, undef, 0.5) < 1;
  for my $name (keys %open) {
    my $try = $open{$name};
    my $file = fileno $try->{link};
    if (vec($write, $file, 1)) { go_on($name, $try) }
    elsif (!vec($read, $file, 1)) { next }
    elsif ($try->{kind} eq 'http') { take_stream($name, $try) }
    else { take_packet($name, $try) }
  }
}
"""


@dataclass(frozen=True, slots=True)
class Seen:
    """What a try saw: its state as the program tells it, and the bytes that came."""

    state: str
    got: bytes = b""


def write_tries(
    ways: Sequence[WayOut],
    control_request: bytes,
    *,
    access_port: int = ACCESS_PORT,
    gateway_port: int = GATEWAY_PORT,
    peer: str = LAB_HOST,
) -> str:
    """A shell script that tries all ways at once and prints a line for each.

    `control_request` is what the archive gateway must pass on. The ports are those of the
    clone: its access service, and the gateway as it is reached from inside. `peer` answers
    an echo request, sealed or not: the user network itself does."""
    rows = [
        _write_row(CONTROL_TCP, "tcp", LOOPBACK, access_port),
        _write_row(CONTROL_UDP, "echo", LOOPBACK, 0, b"forerun-seal"),
        _write_row(CONTROL_GATEWAY, "http", LOOPBACK, gateway_port, control_request),
    ]
    if any(way.protocol == "icmp" and not way.why_not for way in ways):
        rows.append(_write_row(CONTROL_ICMP, "icmp", peer, 0, b"forerun-seal"))
    for number, way in enumerate(ways):
        if way.why_not:
            continue
        address, port = way.address, way.port
        if way.protocol == "http":
            address, port = LOOPBACK, gateway_port
        rows.append(
            _write_row(str(number), way.protocol, address, port, way.payload, routed=way.routed)
        )
    program = _PROGRAM
    for mark, text in (
        ("@NETWORK@", _write_as_in_table(LAB_HOST)),
        ("@ROUTER6@", _ROUTER_6),
        ("@OWN6@", _OWN_6),
        ("@LAB@", LAB_HOST),
        ("@MARK@", str(_ROUTE_MARK)),
    ):
        program = program.replace(mark, text)
    return "\n".join([f"perl - <<'{_END}'", f"{program}__END__", *rows, _END, ""])


_END = "END-OF-TRIES"


def _write_row(
    name: str, kind: str, address: str, port: int, payload: bytes = b"", *, routed: bool = False
) -> str:
    seconds = GATEWAY_S if kind == "http" else TRY_S
    return f"{name} {kind} {address} {port} {seconds} {payload.hex() or '-'} {int(routed)}"


def _write_as_in_table(address: str) -> str:
    """The /24 network of an address as proc(5)'s net/route shows it: little-endian."""
    parts = [int(part) for part in address.split(".")]
    return "".join(f"{part:02X}" for part in (0, *reversed(parts[:3])))


def read_tries(text: str) -> dict[str, Seen]:
    """Each try's name and what it saw; lines of another form are passed over."""
    seen: dict[str, Seen] = {}
    for line in text.splitlines():
        words = line.split(" ")
        if len(words) == 3 and _STATE.fullmatch(words[1]) and _HEX.fullmatch(words[2]):
            seen[words[0]] = Seen(words[1], bytes.fromhex(words[2]))
    return seen


_STATE = re.compile(r"connected|answered|silent|waiting|ended|failed-[A-Z0-9]+")
_HEX = re.compile(r"(?:[0-9a-f]{2})*")
