// Package testrun runs this module's tests and reports on the run. It uses only the go command, so each test passes,
// fails or skips exactly as under go test. `go run ./cmd/testrun help` describes its commands:
//
//	go run ./cmd/testrun                  # go test ./..., and a list of what was skipped and which programs are missing
//	go run ./cmd/testrun repeat -runs 150 ./bridge/...
//	go run ./cmd/testrun mutate -n 60 -seed 1 ./bridge/media
//	go run ./cmd/testrun moved            # shows that the last commit only renames and moves
//
// repeat runs each package many times: half of the runs with the race detector, half beside two busy processes. It
// prints how often each package failed and keeps the output of each failed run. mutate changes the code in one place at
// a time and prints each change that no test noticed. The call flows test the dialogs of a call too, so name both
// packages:
//
//	go run ./cmd/testrun mutate -tests ./bridge/sipua=./bridge/sipua/callflow bridge/sipua/leg.go
//
// mutate -only FILE:LINE tries one line.
//
// # What is tested where, and how to run more of it
//
// `go test ./...` runs a part of most of these tests. With -race -short it leaves out the tests that measure speed. The
// commands below run more. Most random tests print a seed when they fail. The setting that repeats the run stands in
// brackets.
//
// The line's machine:
//
//	scenario scripts: supervision/testdata (package supervisiontest says how to write one)
//	  go test ./supervision/supervisiontest -run 'TestScripts$' -rewrite
//	random orders of events against the invariants: 30,000 each time, 150,000 in .ci/run [CLEARBACK_SEED=N]
//	  CLEARBACK_ORDERS=2000000 go test ./supervision/supervisiontest -run Invariant
//	the accounts of calls for random orders of events, compared with what happened; five minutes [CLEARBACK_SEED=N]
//	  CLEARBACK_ORDERS=2000000 go test ./supervision/callrecord -run RandomOrders -timeout 20m
//	simulated line cards: holds needed, bias, coverage; renews testdata/simulation.txt, takes minutes
//	  go test ./supervision/tuning -run Simulat -simulate
//	a bad file for each rule of the configuration, with its exact faults: config/testdata
//	  go test ./config -rewrite
//
// SIP and media:
//
//	call flows of RFC 3665, RFC 5407 and our own, each party checked for conformance: bridge/sipua/callflow/testdata
//	  go test ./bridge/sipua/callflow -run 'Flows/RFC_5407' -v
//	the 49 messages of RFC 4475 (from memory) and the 12 of RFC 5118 (IPv6), each with the required answer
//	  go test ./bridge/sipua/... -run Torture -v
//	a day of calls on virtual time, with lost packets, restarts and a dead service: nothing stays; a minute or two
//	  go test ./bridge/sipua -run 'TestDayOfRandomCalls$' -v -day.hours 24 -day.lines 40 -timeout 20m
//	far ends that vanish, services that are cut off, restart and give random answers; half a minute on virtual time,
//	3 minutes on sockets [the number of the call that failed]
//	  go test ./bridge/sipua -run VanishingFarEnds -vanishing.calls 5000
//	  go test ./bridge/sipua -run VanishingFarEndsOnSockets -vanishing.sockets 200 -timeout 10m
//	the same on the built daemon: 192 calls through kamailio, which is restarted or cut off, to SIPp, which is killed;
//	7 minutes, not in .ci/run
//	  go test ./cmd/internal/interop -run 'TestVanishing$' -vanishing -timeout 15m -v
//	2,000 pairs of messages in the order of the wire, 20,000 mutations of messages
//	  go test ./bridge/sipua/endpoint -run 'InOrder|Mutations' -full
//	the RTP relay beside a C relay
//	  go test ./bridge/media -run Yardstick -v -yard.rounds 9 -yard.span 2s
//
// Contacts:
//
//	the conformance suite: bridge/relay/relaytest; every driver's own tests run it
//	more kinds of programs, boards and devices; an MQTT link that fails silently
//	  go test ./bridge/relay/command -run '^TestSuite$' -long -v
//	  go test ./bridge/relay/modbus -run '^TestSuite' -long -v
//	  go test ./bridge/relay/httprelay -run '^TestSuite$' -long -v
//	  go test ./bridge/relay/mqtt -long -v
//	lengths of openings, with busy processors too
//	  go test ./bridge/relay/modbus -long -run 'Interval|Blocked' -v
//	a serial board that answers in order and sometimes pauses: each outcome must be reported as it was [-orderseed N]
//	  go test ./bridge/relay/modbus -run RandomBoardDelays -orders 200 -v
//	GPIO on the kernel's own simulated chip, RTS and DTR of a 16550, in a virtual machine. Needs Debian on amd64; the
//	first run fetches 210 MB from Debian's archive to make a kernel, and each start takes 10 s. To run any static program
//	in it: bash bridge/relay/relaytest/vm/boot.sh PROGRAM
//	  go test ./bridge/relay/gpio -run VM -vm -v
//	  go test ./bridge/relay/serial -run VM -vm -v
//	the agent's core on virtual time; its server against another author's client and against random bytes
//	  go test ./bridge/relay/agent -run '^$' -fuzz FuzzServer -fuzztime 10m -parallel 1
//	the agent's process: every signal, kill -9, kill -STOP, the service manager's watchdog; in the virtual machine also on
//	a GPIO line, a 16550 and a hardware watchdog
//	  go test ./cmd/internal/interop -run TestAgent -v
//	  go test ./cmd/internal/interop -run TestAgentInVM -vm
//	the Debian packages, a module of its own: bytes, lintian; with systemd in a container, as root, from installation to
//	purge, with crashes, faulty files, a reboot, and what each restriction of the unit prevents; then README's path, with
//	kamailio, baresip and a board on libmodbus
//	  go -C deploy/packages test ./debian -v -container
//	a network that goes down while a contact is open (in a network namespace)
//	  go test ./bridge/relay/modbus -run BlockedNetwork -namespace -v
//	an address of this machine that comes and goes under the daemon (in a network namespace)
//	  go test ./bridge/daemon -run AddressComesAndGoes -namespace -v
//
// The journal:
//
//	the writer killed at any moment
//	  go test ./bridge/journal -run KilledAt -kills 200 -v
//	the power of a small virtual machine cut while it records (qemu, e2fsprogs)
//	  go test ./bridge/journal -run PowerCut -powercuts 10 -timeout 40m -v
//	a full disk, and a disk that becomes read-only (mounts file systems, as root)
//	  go test ./bridge/journal ./cmd/internal/interop -run Disk -mount -v
//
// The built daemon:
//
//	against SIPp, baresip, kamailio and a board on libmodbus
//	  go test ./cmd/internal/interop -v
//	the daemon killed at any moment with calls in every state; 200 kills take a minute
//	  go test ./cmd/internal/interop -run CallsOutliveManyKills -kills 200 -v
//	attacks by outsiders and by neighbours with a known address; a call for help must pass [the numbers it prints]
//	  go test ./cmd/internal/interop -run '^TestAttack' -full -v
//	the main job, and every incident caused by its real fault; --scene NAME plays one scene, --scene tune tunes a line
//	(a minute)
//	  go run ./cmd/clearback rehearse --list
//	every adapter habit in every scene of a clearing; --habit NAME plays one habit
//	  go run ./cmd/clearback rehearse --habits
//	  go test ./bridge/rehearsal -run TestHabits -habits
//	speed, memory and floods: package figures lists every figure and its command
//
// `go test -list '^Fuzz' ./...` lists the fuzz targets. Those on virtual time need -parallel 1 and -fuzzminimizetime
// 1x, because goroutines make their coverage differ from run to run.
//
//	go test ./supervision/supervisiontest -run '^$' -fuzz '^FuzzStep$' -fuzztime 10m
//
// The interfaces that others rely on (JSON, control socket, journals, words, keys, flags, exit codes, contracts) are
// recorded in files that the tests of cmd/internal/frozen compare. That package's comment lists the files.
//
// cmd/internal/arch tests the tree itself. deploy tests the manuals, README's examples and the service units.
package testrun
