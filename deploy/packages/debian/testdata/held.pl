# A call on hold: a PBX on port 5080 calls the line of an adapter on port 5062, which registers, answers and holds. Both
# send sound every 20 ms and answer every other request with 200. The file /run/held says that the call is on hold. Once
# /run/count is there, its ports are also sent datagrams that nobody answers, and what is refused is counted. Once
# /run/hang-up is there, the PBX hangs up. /run/cleared says that the adapter was told, and has the counts.
use strict;
use warnings;
use Errno 'ECONNREFUSED';
use IO::Select;
use IO::Socket::INET;

sub udp { return IO::Socket::INET->new(Proto => 'udp', @_) or die $! }
sub at { return sockaddr_in($_[0], inet_aton('127.0.0.1')) }
sub uptime { open my $file, '<', '/proc/uptime' or die $!; return (split ' ', <$file>)[0] }
sub done { open my $file, '>', $_[0] or die $!; print $file $_[1] // '' }

# Each end: its socket, the daemon's port, the socket of its sound and where that goes, what it has heard.
my %adapter = (name => 'adapter', socket => udp(LocalAddr => '127.0.0.1:5062'), port => 5060, sound => udp(LocalAddr => '127.0.0.1:4000'));
my %pbx = (name => 'pbx', socket => udp(LocalAddr => '127.0.0.1:5080'), port => 5070, sound => udp(LocalAddr => '127.0.0.1:4002'));
$_->{missing} = $_->{pause} = $_->{heard} = 0 for \%adapter, \%pbx;

sub sdp {
	my ($end, $direction) = @_;
	my $sdp = "v=0\r\no=- 1 1 IN IP4 127.0.0.1\r\ns=-\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\nm=audio " . $end->{sound}->sockport
		. " RTP/AVP 0\r\na=" . ($direction // 'sendrecv') . "\r\n";
	return "Content-Type: application/sdp\r\nContent-Length: " . length($sdp) . "\r\n\r\n$sdp";
}

my $empty = "Content-Length: 0\r\n\r\n";

# request sends a request of a dialog, or a REGISTER.
sub request {
	my ($end, $method, $seq, $rest, %d) = @_;
	my $port = $end->{socket}->sockport;
	send $end->{socket}, "$method $d{target} SIP/2.0\r\nVia: SIP/2.0/UDP 127.0.0.1:$port;branch=z9hG4bK-$method-$seq\r\n"
		. "Max-Forwards: 70\r\nFrom: $d{from}\r\nTo: $d{to}\r\nCall-ID: $d{id}\r\nCSeq: $seq $method\r\n"
		. "Contact: <sip:box-office\@127.0.0.1:$port>\r\n$rest", 0, at($end->{port});
}

# respond answers a request.
sub respond {
	my ($end, $text, $rest) = @_;
	my $head = join '', $text =~ /^((?:Via|From|Call-ID|CSeq): .*\r\n)/mg;
	my ($to) = $text =~ /^(To: .*)\r\n/m;
	$to .= ";tag=$end->{name}" unless $to =~ /;tag=/;
	my ($contact) = $text =~ /^(Contact: .*\r\n)/m;
	$contact = "Contact: <sip:box-office\@127.0.0.1:" . $end->{socket}->sockport . ">\r\n" if $text !~ /^REGISTER/;
	send $end->{socket}, "SIP/2.0 200 OK\r\n$head$to\r\n" . ($contact // '') . "Expires: 600\r\n$rest", 0, at($end->{port});
}

# md5 is the hash of RFC 1321; this system's Perl has none.
sub md5 { my $hash = `printf %s '$_[0]' | md5sum`; return substr $hash, 0, 32 }

my %register = (target => 'sip:127.0.0.1:5060', from => '<sip:box-office@127.0.0.1>;tag=r', to => '<sip:box-office@127.0.0.1>', id => 'registration');
my ($registered, %called, %held, $begun, @probes);
my %next = (at => 0, seq => 0);

# next_hold notes the dialog of the call that the adapter has got.
sub next_hold {
	my ($text) = @_;
	($held{target}) = $text =~ /^Contact: <([^>]+)>/m;
	($held{from}) = $text =~ /^To: (.*)\r/m;
	$held{from} .= ';tag=adapter';
	($held{to}) = $text =~ /^From: (.*)\r/m;
	($held{id}) = $text =~ /^Call-ID: (.*)\r/m;
}

sub take {
	my ($end, $text) = @_;
	my ($port) = $text =~ /^m=audio (\d+)/m;
	$end->{to} = $port if $port;
	my ($seq, $method) = $text =~ /^CSeq: (\d+) (\w+)/m;
	my $is_pbx = $end == \%pbx;
	if ($text !~ /^SIP/) {
		if ($method eq 'INVITE') {
			respond($end, $text, sdp($end, $is_pbx ? 'recvonly' : 'sendrecv'));
			next_hold($text) unless $is_pbx;
		} elsif ($method ne 'ACK') {
			respond($end, $text, $empty);
		}
		if ($method eq 'REGISTER' && !$called{target}) {
			($called{target}) = $text =~ /^Contact: <([^>]+)>/m;
		} elsif ($method eq 'ACK' && !$is_pbx) {
			request($end, 'INVITE', 1, sdp($end, 'sendonly'), %held);
		} elsif ($method eq 'BYE' && !$is_pbx) {
			done('/run/cleared', join '', map { "$_->{name}: heard $_->{heard} missing $_->{missing} pause $_->{pause}\n" }
				\%adapter, \%pbx);
		}
	} elsif ($text =~ /^SIP\/2.0 401/ && $seq == 1) {
		my ($realm) = $text =~ /realm="([^"]*)"/;
		my ($nonce) = $text =~ /nonce="([^"]*)"/;
		my $qop = $text =~ /qop="/;
		my $uri = $register{target};
		my ($one, $two) = (md5("box-office:$realm:curtain"), md5("REGISTER:$uri"));
		my $response = md5($qop ? "$one:$nonce:00000001:c:auth:$two" : "$one:$nonce:$two");
		request($end, 'REGISTER', 2, "Authorization: Digest username=\"box-office\", realm=\"$realm\", nonce=\"$nonce\", "
			. "uri=\"$uri\", response=\"$response\"" . ($qop ? ', qop=auth, nc=00000001, cnonce="c"' : '')
			. "\r\nExpires: 600\r\n$empty", %register);
	} elsif ($text =~ /^SIP\/2.0 200/ && $method eq 'REGISTER') {
		$registered = 1;
	} elsif ($text =~ /^SIP\/2.0 200/ && $method eq 'INVITE' && $is_pbx) {
		($called{to}) = $text =~ /^To: (.*)\r/m;
		($called{target}) = $text =~ /^Contact: <([^>]+)>/m;
		request($end, 'ACK', $seq, $empty, %called);
	} elsif ($text =~ /^SIP\/2.0 200/ && $method eq 'INVITE') {
		request($end, 'ACK', $seq, $empty, %held);
		done('/run/held');
	} elsif ($text =~ /^SIP\/2.0 [3-6]/) {
		die $text;
	}
}

# hear counts a packet of sound (RFC 3550 section 5.1).
sub hear {
	my ($end, $packet) = @_;
	my $seq = unpack 'n', substr $packet, 2, 2;
	my $now = uptime();
	if ($end->{heard}++) {
		$end->{missing} += $seq - $end->{seq} - 1;
		$end->{pause} = $now - $end->{time} if $now - $end->{time} > $end->{pause};
	}
	@$end{'seq', 'time'} = ($seq, $now);
}

request(\%adapter, 'REGISTER', 1, "Expires: 600\r\n$empty", %register);
my $waiting = IO::Select->new(map { $_->{socket}, $_->{sound} } \%adapter, \%pbx);
my $refused = 0;
while (1) {
	for my $socket ($waiting->can_read(0.01)) {
		my ($end) = grep { $socket == $_->{socket} || $socket == $_->{sound} } \%adapter, \%pbx;
		defined recv $socket, my $text, 65535, 0 or next;
		$socket == $end->{socket} ? take($end, $text) : hear($end, $text) if length $text > 4;
	}
	if ($registered && $called{target} && !$begun) {
		$begun = 1;
		@called{'from', 'to', 'id'} = ('<sip:5550150@127.0.0.1>;tag=f', '<sip:5550101@127.0.0.1>', 'held');
		request(\%pbx, 'INVITE', 1, sdp(\%pbx), %called);
	}
	if (uptime() - $next{at} >= 0.02) {
		($next{at}, my $seq) = (uptime(), $next{seq}++);
		for my $end (grep { $_->{to} } \%adapter, \%pbx) {
			send $end->{sound}, pack('CCnNN', 0x80, 0, $seq, 160 * $seq, $end->{sound}->sockport) . "\xff" x 160, 0, at($end->{to});
		}
	}
	if (-e '/run/count') {
		@probes = map { udp(PeerAddr => "127.0.0.1:$_") } 5060, 5070, map { $_->{to}, $_->{to} + 1 } \%adapter, \%pbx unless @probes;
		for my $probe (@probes) {
			defined send $probe, "\r\n\r\n", 0 or $! != ECONNREFUSED or $refused++;
		}
		done('/run/refused', $refused);
	} else {
		@probes = ();
	}
	if (-e '/run/hang-up') {
		unlink '/run/hang-up';
		request(\%pbx, 'BYE', 2, $empty, %called);
	}
}
