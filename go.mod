module clearback

go 1.26.0

// Each library has its reason. cmd/internal/arch names the packages that may import it. Raise one library at a time, read
// what changed, and run everything.
require (
	// MQTT 5: packets and framing. The connection and its end are ours (bridge/relay/mqtt/broker).
	github.com/eclipse/paho.golang v0.23.0
	// SIP: parser, message types, transaction state machines; complete and maintained. Its sip package only: dispatch,
	// dialogs and sockets are ours (the package comment of bridge/sipua/endpoint says why).
	github.com/emiago/sipgo v1.7.2
	// Digest authentication: RFC 7616 with the older algorithms. Nonces and replay are ours.
	github.com/icholy/digest v1.2.0
	// RTCP packets: a plain parser without goroutines.
	github.com/pion/rtcp v1.2.20
	// RTP packets: a plain parser without goroutines; the relay allocates nothing a packet.
	github.com/pion/rtp v1.10.6
	// Tests: judges the session descriptions that we rewrite. The daemon rewrites them line by line: this parser refuses
	// descriptions that adapters send, and what is not ours to change stays byte for byte.
	github.com/pion/sdp/v3 v3.0.20
	// Numbers for Prometheus, its own library: atomic counters and histograms, and the text format.
	github.com/prometheus/client_golang v1.25.0
	// The types of a scrape, which client_golang has in its interface.
	github.com/prometheus/client_model v0.6.3
	// Tests: Prometheus's own parser of its text format reads ours.
	github.com/prometheus/common v0.74.0
	// Tests: a Modbus peer that is not ours. The package comment of bridge/relay/modbus says why the daemon does not use it.
	github.com/simonvetter/modbus v1.6.4
	// The command line: help, completion for three shells, suggestions. It needs no module but pflag.
	github.com/spf13/cobra v1.10.2
	// The flags of cobra.
	github.com/spf13/pflag v1.0.9
	// Tests: assertions.
	github.com/stretchr/testify v1.12.1
	// Mail: SMTP with TLS and authentication, and the format of a mail; maintained. Later versions need a newer Go.
	github.com/wneessen/go-mail v0.8.1
	// Tests: goroutines left behind.
	go.uber.org/goleak v1.3.0
	// The log: structured, and no allocation for a level that is off.
	go.uber.org/zap v1.28.0
	// The log of sipgo, which uses log/slog, into zap.
	go.uber.org/zap/exp v0.3.0
	// The configuration file: its Node keeps line, column and comments, so every fault has its place. The stable line of the
	// YAML organisation's own repository.
	go.yaml.in/yaml/v3 v3.0.6
	// Packet information and socket options; the Go project's own.
	golang.org/x/net v0.62.0
	// System calls; the Go project's own.
	golang.org/x/sys v0.50.0
	// The terminal's width; the Go project's own.
	golang.org/x/term v0.48.0
	// The journal: SQLite itself, translated to Go, so the three targets need no C compiler. WAL with synchronous FULL:
	// with NORMAL a power cut took rows that were committed.
	modernc.org/sqlite v1.62.0
	// Tests: random input with shrinking.
	pgregory.net/rapid v1.3.0
)

require (
	github.com/beorn7/perks v1.0.1 // indirect
	github.com/cespare/xxhash/v2 v2.3.0 // indirect
	github.com/dustin/go-humanize v1.1.0 // indirect
	github.com/goburrow/serial v0.1.0 // indirect
	github.com/gobwas/httphead v0.1.0 // indirect
	github.com/gobwas/pool v0.2.1 // indirect
	github.com/gobwas/ws v1.3.2 // indirect
	github.com/google/uuid v1.6.0 // indirect
	github.com/inconshreveable/mousetrap v1.1.0 // indirect
	github.com/mattn/go-isatty v0.0.24 // indirect
	github.com/munnerz/goautoneg v0.0.0-20191010083416-a7dc8b61c822 // indirect
	github.com/ncruces/go-strftime v1.1.0 // indirect
	github.com/pandatix/go-abnf v0.5.5 // indirect
	github.com/pion/randutil v0.1.0 // indirect
	github.com/prometheus/procfs v0.22.0 // indirect
	github.com/remyoudompheng/bigfft v0.0.0-20230129092748-24d4a6f8daec // indirect
	go.uber.org/multierr v1.10.0 // indirect
	golang.org/x/crypto v0.58.0 // indirect
	golang.org/x/sync v0.24.0 // indirect
	golang.org/x/text v0.43.0 // indirect
	google.golang.org/protobuf v1.36.12 // indirect
	modernc.org/libc v1.80.1 // indirect
	modernc.org/mathutil v1.7.1 // indirect
	modernc.org/memory v1.12.1 // indirect
)
