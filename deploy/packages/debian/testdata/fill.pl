# fill.pl GROUP PROCESS: joins the memory group and takes memory until the process is gone. The kernel is to kill that.
use strict;
my ($group, $process) = @ARGV;
open(my $procs, ">", "$group/cgroup.procs") or die "$group: $!";
syswrite($procs, $$) or die "$group: $!";
my @taken;
for (1 .. 512) {
	exit 0 unless -e "/proc/$process/exe";
	push @taken, chr($_ % 251) x (1 << 20);
}
die "process $process is still there";
