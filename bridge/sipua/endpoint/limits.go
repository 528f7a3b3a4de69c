package endpoint

import "time"

// This file holds the limits on what the network may make us store or do. All numbers are our own. They are sized for a
// busy site: 100 lines; 20 calls/s set up and cleared through one PBX address; all adapter ports behind one address;
// everything restarting at once after a power cut.

// Sizes, in bytes unless noted. An INVITE with a session description of all codecs, a dozen candidates and the routes
// of ten proxies is smaller than 8 KiB.
const (
	maxMessage = 32 << 10 // whole message; beyond it 513 (RFC 3261 section 21.5.7)
	maxHead    = 16 << 10 // start line and header fields
	maxBody    = 16 << 10 // beyond it 413 (RFC 3261 section 21.4.11); session descriptions are 1 to 4 KiB
	maxField   = 8 << 10  // one header field with its continuations
	maxFields  = 256      // number of header fields; the largest messages in common use have 60
	maxEcho    = 4 << 10  // header fields that the refusal of an unparsed request repeats
)

// Server transactions. Over UDP each lives for 32 s and takes some 4 KiB. 20 calls/s, with two transactions a call and
// the OPTIONS that go with them, are 1,500 at any time.
const (
	maxServers              = 8192  // in all; beyond it each known source shares what is left with the others
	maxServersHard          = 16384 // in all, without the reserved places: 64 MiB
	maxServersSource        = 4096  // of one known source
	maxServersFew           = 64    // of one known source beyond maxServers, however many sources there are
	maxUnknownServers       = 512   // of all unknown sources
	maxUnknownServersSource = 32    // of one unknown source
	// transactions of one source that are searched for an answered one: more than the calls that 100 lines have at a
	// time
	maxSearched = 512
)

// Reserved places, beside those above. There are as many reservations as dialogs and bound adapters.
const (
	maxReserved        = 16 // for a dialog (as many for its BYE), for a bound adapter, for all adapters at an address
	maxReservedCallers = 64 // for all other emergency calls
)

// Queued work. A queue exists for microseconds, unless the process is slow.
const (
	maxQueues          = 4096 // Call-IDs with something to do
	maxQueuesSource    = 2048 // of one source
	maxQueuesFew       = 64   // of one source beyond maxQueues
	maxQueuesHard      = 8192 // in all
	maxWaiting         = 256  // within one Call-ID
	maxWaitingReserved = 64   // within one Call-ID beyond maxWaiting: BYE and emergency calls
	maxCancels         = 256  // CANCELs that wait 50 ms for the INVITE they overtook; none at 20 calls/s
	maxCancelsSource   = 64   // of one source
)

// TCP connections. There is one for each of 100 adapter ports and some for the services. 512 leave half of the usual
// limit of 1,024 file descriptors.
const (
	maxConns              = 512
	maxConnsSource        = 256 // fewer if other addresses need the room
	maxUnknownConns       = 64
	maxUnknownConnsSource = 4 // connections of one unknown source
)

// Time limits for a TCP peer.
const (
	// messageLimit is how long one message may take to arrive, from its first byte. A slow mobile network needs a
	// second.
	messageLimit = 10 * time.Second
	// idleLimit is how long a connection of a known peer may be silent. An adapter registers at least once an hour over
	// its connection, and that connection is the only way to reach it. So it may miss one registration.
	idleLimit = 2 * time.Hour
	// unknownIdleLimit is the same for an unknown source. A legitimate peer authenticates within a round trip or two.
	unknownIdleLimit = 30 * time.Second
)

// Unknown sources. A source needs two requests to become known. If 100 adapter ports share one address, the first
// success makes the address known.
const (
	unknownRate        = 100 // messages and connections a second, of all unknown sources together
	unknownBurst       = 200
	unknownSourceRate  = 10 // of one address (IPv6: of one /64 network)
	unknownSourceBurst = 20
	unknownSlots       = 4096 // buckets; a secret hash maps addresses to them: 64 KiB for any number of addresses
)

// Known addresses.
const (
	maxKnown = 1024           // ten times what 100 lines need; beyond it the oldest entry is removed
	knownFor = 12 * time.Hour // a night; registrations and responses renew it at least every hour
)

// receiveBuffer is the size that we request for the receive buffer of the UDP socket. The kernel may grant less. 4 MiB
// hold 20 ms of a full gigabit of small packets, so a BYE among them is not lost while this process waits for a
// processor.
const receiveBuffer = 4 << 20
