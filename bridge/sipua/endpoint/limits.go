package endpoint

import "time"

// This file holds what the network may make us keep or do. All are our own numbers. The yardstick is a busy site: 100
// lines, 20 calls/s set up and cleared through one PBX address, all adapters' ports behind one address, everything
// restarting at once after a power cut.

// Sizes. An INVITE with a session description of every codec, a dozen candidates and the routes of ten proxies is below
// 8 KiB.
const (
	maxMessage = 32 << 10 // whole; beyond it 513 (RFC 3261 section 21.5.7)
	maxHead    = 16 << 10 // start line and header fields
	maxBody    = 16 << 10 // 413 (RFC 3261 section 21.4.11); session descriptions are 1 to 4 KiB
	maxField   = 8 << 10  // one header field with its continuations
	maxFields  = 256      // header fields; the longest in common use have 60
	maxEcho    = 4 << 10  // what a refusal of an unread request repeats of it
)

// Server transactions. By UDP each stays 32 s, with some 4 KiB. 20 calls/s are two a call and their OPTIONS: 1,500 at
// any time.
const (
	maxServers              = 8192  // of all; beyond it each known source shares what is left with the others
	maxServersHard          = 16384 // of all in the ordinary room: 64 MiB
	maxServersSource        = 4096  // of one known source
	maxServersFew           = 64    // of one known source beyond maxServers, however many sources there are
	maxUnknownServers       = 512   // of all strangers
	maxUnknownServersSource = 32    // of one stranger
	maxLooks                = 512   // at the transactions of one source, for one that was answered: more than the calls that 100 lines have at a time
)

// Places that are kept beside the ordinary room. There are as many kept dialogs as calls have, and as many adapters as
// are bound.
const (
	maxReserved        = 16 // of one dialog (for BYE as many again), of one bound adapter, of all at its address
	maxReservedCallers = 64 // of all other calls for help
)

// Work that waits. A queue is open for microseconds, unless the process is slow.
const (
	maxQueues          = 4096 // Call-IDs with something to do
	maxQueuesSource    = 2048 // of one source
	maxQueuesFew       = 64   // of one source beyond maxQueues
	maxQueuesHard      = 8192 // of all
	maxWaiting         = 256  // within one Call-ID
	maxWaitingReserved = 64   // within one Call-ID beyond that: what ends a call or calls for help
	maxCancels         = 256  // CANCELs that wait 50 ms for the INVITE they overtook: at 20 calls/s not one
	maxCancelsSource   = 64   // of one source
)

// TCP connections: one for each of 100 adapter ports and some for the services. 512 leave half of the usual 1,024
// descriptors.
const (
	maxConns              = 512
	maxConnsSource        = 256 // and less, where others want theirs
	maxUnknownConns       = 64
	maxUnknownConnsSource = 4 // connections of one stranger
)

// Patience with a TCP peer.
const (
	// messageLimit is how long one message may take to arrive, from its first byte: a second is a slow mobile network.
	messageLimit = 10 * time.Second
	// idleLimit: an adapter registers at least once an hour over its connection, and that is the way to it; two may
	// pass.
	idleLimit = 2 * time.Hour
	// unknownIdleLimit: who connects shows who he is within a round trip or two.
	unknownIdleLimit = 30 * time.Second
)

// Strangers. To become known takes two requests. With 100 adapter ports behind one address the first that succeeds
// makes it known.
const (
	unknownRate        = 100 // messages and connections a second, of all strangers
	unknownBurst       = 200
	unknownSourceRate  = 10 // of one address (IPv6: of one /64)
	unknownSourceBurst = 20
	unknownSlots       = 4096 // addresses share one of these buckets by a secret hash: 64 KiB, whoever comes
)

// Known addresses.
const (
	maxKnown = 1024           // ten times what 100 lines need; beyond it the oldest is forgotten
	knownFor = 12 * time.Hour // a night; registrations and answers renew it every hour at least
)

// receiveBuffer is asked of the kernel for the UDP socket, which grants what its administrator allows: 4 MiB hold 20 ms
// of a full gigabit of small packets, so that the BYE among them is not lost while this process waits for a processor.
const receiveBuffer = 4 << 20
