"""Production's account numbers on a system whose packages drew other ones. Pure text.

Two uses of one program: in a template, system users and groups get production's numbers
(`IDS_ONLY`); on a clone, production's account files are merged with those of the clone's
own packages. Files follow in one pass over the tree. perl-base is essential on Debian
(Debian Policy 3.8), Python is not.

Formats: passwd(5), group(5), shadow(5), gshadow(5).
"""

from __future__ import annotations

from forerun.model.blueprint import SystemId

IDS_ONLY = "ids-only"

# Arguments: folder with the wanted files, the root of the system ("" for /), and
# `ids-only` to change numbers of accounts that are there and add none. In both uses an own
# account that is in the way of a wanted number moves to a free one.
NUMBER_ACCOUNTS = r"""use strict; use warnings; use POSIX ();
my ($wanted, $root, $mode) = (@ARGV, '', '');
my $ids_only = $mode eq 'ids-only';
sub slurp { open(my $in, '<', $_[0]) or return (); my @l = <$in>; chomp @l;
  return map { [split /:/, $_, -1] } grep { /^[^:#+-][^:]*:/ } @l }
sub put { my ($name, $rows) = @_; my $path = "$root/etc/$name"; -e $path or return;
  open(my $out, '>', $path) or die "$path: $!";
  print $out join(':', @$_), "\n" for @$rows; close($out) or die "$path: $!" }
my (%map, %rows);
for my $kind (['passwd', 'shadow'], ['group', 'gshadow']) {
  my ($file, $secret) = @$kind;
  my @own = slurp("$root/etc/$file"); my @want = slurp("$wanted/$file");
  my %want = map { $_->[0] => $_ } @want;
  my %own = map { $_->[0] => $_ } @own;
  my @there = $ids_only ? grep { $own{$_->[0]} } @want : @want;
  my %taken = map { $_->[2] => 1 } @there;
  $taken{$_->[2]} ||= 0 for @own;
  my %to;
  for my $row (@own) {
    my ($name, $old) = @$row[0, 2];
    my $new = $old;
    if ($want{$name}) { $new = $want{$name}[2] }
    elsif ($taken{$old}) {
      my $step = $old >= 1000 ? 1 : -1; my $at = $old >= 1000 ? 1000 : 999;
      $at += $step while exists $taken{$at};
      $new = $at; $taken{$at} = 1;
    }
    $to{$name} = $new;
    $map{$file}{$old} = $new if $old != $new;
  }
  my @merged;
  if ($ids_only) { @merged = map { my @r = @$_; $r[2] = $to{$r[0]}; [@r] } @own }
  else {
    @merged = map { [@$_] } @want;
    for my $row (@own) { next if $want{$row->[0]}; my @r = @$row; $r[2] = $to{$r[0]};
      push @merged, [@r] }
  }
  $rows{$file} = [\@own, \@merged, \%want];
  next if $ids_only || !@want;
  my @have = slurp("$root/etc/$secret"); my @bring = slurp("$wanted/$secret");
  my %brought = map { $_->[0] => 1 } @bring; my %here = map { $_->[0] => $_ } @have;
  for my $row (@merged) { my $name = $row->[0]; next if $brought{$name};
    push @bring, $here{$name} || ($secret eq 'shadow'
      ? [$name, '!', '', '', '', '', '', '', ''] : [$name, '!', '', '']) }
  put($secret, \@bring);
}
my %group = %{ $map{group} || {} };
my %group_number = map { $_->[0] => $_->[2] } @{ $rows{group}[1] };
my %group_named = map { $_ => 1 } values %group_number;
for my $row (@{ $rows{passwd}[1] }) {
  my $want = $rows{passwd}[2]{$row->[0]};
  if ($want && $group_named{$want->[3]}) { $row->[3] = $want->[3] }
  elsif (!$want || $ids_only) { $row->[3] = $group{$row->[3]} if exists $group{$row->[3]} }
  if (!$ids_only && $row->[0] eq 'root' && !-x "$root$row->[6]") { $row->[6] = '/bin/sh' }
}
for my $file ('passwd', 'group') {
  next unless %{ $rows{$file}[2] };
  put($file, $rows{$file}[1]);
}
my %user = %{ $map{passwd} || {} };
exit 0 unless %user || %group;
my @tests;
push @tests, '-o', '-uid', $_ for keys %user;
push @tests, '-o', '-gid', $_ for keys %group;
shift @tests;
open(my $found, '-|', 'find', $root eq '' ? '/' : $root, '-xdev', '(', @tests, ')',
  '-printf', '%U %G %m %y %p\0') or die "find: $!";
local $/ = "\0"; my $count = 0;
while (my $line = <$found>) {
  chomp $line;
  my ($uid, $gid, $bits, $type, $path) = split / /, $line, 5;
  POSIX::lchown($user{$uid} // -1, $group{$gid} // -1, $path);
  chmod(oct($bits), $path) if $type ne 'l' && oct($bits) & 06000;
  $count++;
}
close($found);
print "accounts: $count files got another owner's number\n";
"""


def write_ids_files(ids: tuple[SystemId, ...]) -> tuple[str, str]:
    """(passwd, group) that hold the wanted numbers, for the program's use in a template."""
    users = "".join(f"{i.name}:x:{i.number}:{i.group}:::\n" for i in ids if i.group >= 0)
    groups = "".join(f"{i.name}:x:{i.number}:\n" for i in ids if i.group < 0)
    return users, groups
