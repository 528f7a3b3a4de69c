// Package interop tests the built daemon against programs that are not ours: SIPp and baresip as adapter and as far
// end, kamailio as the service, a board on libmodbus as relay controller. It holds tests only. Each test checks what
// the board switched, and when.
//
// The tests TestAttack... play outsiders, and neighbours with a known address. They write SIP, RTP and Modbus byte by
// byte (peer_test.go), without a library and without the daemon's code. Each attack is paired with a call for help that
// must pass.
//
// # Far ends that vanish
//
// TestVanishing measures the time from the death of the far end. If the service was cut off or restarted, it measures
// from the return of the service. The bound is 200 s (SAFETY.md S95). In one run, each setting had 48 far ends; 24 of
// them were killed and 24 stayed:
//
//	                            cleared after   half within   live calls ended
//	far ends killed             30 to 120 s     115 s         0
//	kamailio killed and back    25 to 110 s     105 s         0
//	cut off for 30 s            15 to 95 s      90 s          0
//	cut off for 120 s           7 to 42 s       12 s          0
//
// # How long a loop stays open when something dies
//
// TestLoopOpenTime opens a loop for 600 ms by each way to a contact and causes a fault in the middle of the opening.
// Without a flag it runs the first fault on one way of each kind. With -open-faults it runs all faults on all ways:
//
//	go test ./cmd/internal/interop -run TestLoopOpenTime -open-faults -v
//
// The table shows how long the peer saw its contact open, in ms, in one run beside other work. On that machine a
// sleeping process woke at most 190 ms late with busy processors, and at most 26 ms late otherwise (3 to 123 ms late in
// the run of the slow board).
//
//	                               bound   daemon          stopped  cable   board 2 s  broker      processors
//	way                            (kind)  killed          for 2 s  cut     late       restarted   busy
//	modbus, the board's timer       650 o   601            600      601     601                    602
//	modbus, the board's watchdog   1650 w  1010           1001     1001     1211, 1313             643
//	modbus, plain coil               -  n   756, by close  2004     5004    2603-4005              623
//	modbus-rtu, the board's timer   650 o   601            601      not run 601                    601
//	modbus-rtu, plain coil           -  n   738, by close  2008     not run 2603-4006              626
//	agent by Modbus TCP             650 o   600            600      600     not run                600
//	agent by MQTT                   650 o     4, the will  600      603     not run    264, will   600
//	http, timed                     650 o   601            601      601     not run                601
//	http, open and close             -  n   728, by close  2013     5004    not run                670
//	command, timed                  650 o   602            601      none    none                   606
//	command, open and close          -  n   720, by close  2008     none    none                   603
//
// The kinds are o (oneshot: the bound is the interval plus 50 ms), w (watchdog: 1 s more) and n (none: no bound). With
// busy processors and without the real-time class, the bound is the interval plus 250 ms (our own figure). To each
// bound the test adds twice the lateness of the machine.
//
// For kind none the daemon logs at its start that nothing bounds the opening. The table then shows how long it took
// until the daemon had restarted, `clearback close` was run, or the test repaired the cable (after 5 s).
//
// Other faults have tests of their own and no row in the table:
//
//	gpio, serial: the process is killed
//	  TestKernelKilled of both packages, in the virtual machine. The simulated chip follows its pull; the 16550's line
//	  drops with hang-up set; the next start closes. A real chip may hold its level: that needs hardware to test.
//	gpio: the process is stopped
//	  TestKernelStopped, in the virtual machine: open while the process is stopped, closed when it continues.
//	serial: stopped; gpio and serial: busy processors, power cut while open
//	  Not run. Without power the relay is at rest, and the wiring makes that position closed. Software has no part in it.
//	the agent is killed or frozen
//	  TestAgentInVM: on a GPIO line, a serial port and a hardware watchdog.
//	the broker freezes
//	  bridge/relay/mqtt: TestFrozenBroker.
//	the clock is set back by an hour
//	  bridge/relay/gpio: TestKernelClockSetBack, in the virtual machine. For every driver: the rule "monotonic" of
//	  cmd/internal/arch (no driver reads the time of day).
//	the answer is malformed
//	  bridge/relay/modbus: TestImproperAnswers, TestBusImproperAnswers; bridge/relay/httprelay: TestImproperAnswers;
//	  bridge/relay/mqtt: TestForeignAnswers, TestInvalidStateWhileOpen; bridge/relay/command: TestLevels, TestEndlessOutput.
//	the connection to a board that times openings itself is lost in the middle of one
//	  bridge/relay/controller: TestALostConnectionDoesNotEndATimedOpening and those beside it, on virtual time; every
//	  such driver in bridge/relay/relaytest. With MQTT the will closes the contact.
//	the connection ends between the answer to an opening and the read-back
//	  bridge/relay/controller: TestSessionEndsBeforeTheReadBack.
//	a close hangs; a close meets an opening that still waits for its connection
//	  bridge/relay/controller: TestHangingClose, TestCloseWithdrawsAtOnce.
package interop
