# One emergency call: an adapter on port 5062 calls 999, and a PBX on port 5080 answers. Both answer every other request
# with 200. The file /run/answered says that the call is up. Once /run/hang-up is there, the adapter hangs up.
use strict;
use warnings;
use IO::Select;
use IO::Socket::INET;

my ($adapter, $pbx) = map { IO::Socket::INET->new(Proto => 'udp', LocalAddr => "127.0.0.1:$_") or die $! } 5062, 5080;
my $daemon = sockaddr_in(5060, inet_aton('127.0.0.1'));

sub sdp {
	my $sdp = "v=0\r\no=- 1 1 IN IP4 127.0.0.1\r\ns=-\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\nm=audio $_[0] RTP/AVP 0\r\n";
	return "Content-Type: application/sdp\r\nContent-Length: " . length($sdp) . "\r\n\r\n$sdp";
}

# request sends a request of the adapter.
sub request {
	my ($method, $uri, $to, $sequence, $rest) = @_;
	send $adapter, "$method $uri SIP/2.0\r\nVia: SIP/2.0/UDP 127.0.0.1:5062;branch=z9hG4bK-$method-$sequence\r\n"
		. "Max-Forwards: 70\r\nFrom: <sip:box-office\@127.0.0.1>;tag=a\r\n$to\r\nCall-ID: help\r\n"
		. "CSeq: $sequence $method\r\nContact: <sip:box-office\@127.0.0.1:5062>\r\n$rest", 0, $daemon;
}

# answer sends 200 to a request.
sub answer {
	my ($socket, $from, $text, $method) = @_;
	my $head = join '', $text =~ /^((?:Via|v|From|f|Call-ID|i|CSeq): .*\r\n)/mgi;
	my ($to) = $text =~ /^((?:To|t): .*)\r\n/mi;
	$to .= ';tag=b' unless $to =~ /;tag=/;
	my ($contact) = $text =~ /^(Contact: .*\r\n)/mi;
	$contact = "Contact: <sip:pbx\@127.0.0.1:5080>\r\n" if $method ne 'REGISTER';
	send $socket, "SIP/2.0 200 OK\r\n$head$to\r\n" . ($contact // '') . "Expires: 60\r\n"
		. ($method eq 'INVITE' ? sdp(4002) : "Content-Length: 0\r\n\r\n"), 0, $from;
}

request('INVITE', 'sip:999@127.0.0.1:5060', 'To: <sip:999@127.0.0.1>', 1, sdp(4000));
my ($to, $target);
my $waiting = IO::Select->new($adapter, $pbx);
while (1) {
	for my $socket ($waiting->can_read(0.1)) {
		my $from = recv $socket, my $text, 65535, 0;
		if (my ($method) = $text =~ /^([A-Z]+) \S+ SIP/) {
			answer($socket, $from, $text, $method) if $method ne 'ACK';
		} elsif ($text =~ /^SIP\/2.0 200 .*^CSeq: 1 INVITE/ms) {
			($to) = $text =~ /^(To: .*)\r\n/mi;
			($target) = $text =~ /^Contact: <([^>]+)>/mi;
			request('ACK', $target, $to, 1, "Content-Length: 0\r\n\r\n");
			open my $file, '>', '/run/answered' or die $!;
		} elsif ($text =~ /^SIP\/2.0 200 .*^CSeq: 2 BYE/ms) {
			unlink '/run/hang-up';
		} elsif ($text =~ /^SIP\/2.0 [3-6]/) {
			die $text;
		}
	}
	request('BYE', $target, $to, 2, "Content-Length: 0\r\n\r\n") if $to && -e '/run/hang-up';
}
