// Package frozen compares what the code does with frozen files: interfaces that others rely on and that we must not
// change.
//
// A frozen file is edited by hand, for a reason that the commit message gives. No flag rewrites one. A commit that only
// renames or moves changes no frozen file and no other file below a testdata folder: go run ./cmd/testrun moved checks
// that.
//
//	what                                      file                             test
//	JSON of lines, the control socket         testdata/control.txt             TestControlSocket
//	names of its counts                       bridge/daemon/testdata           bridge/daemon TestCountNames
//	JSON and CSV of calls                     testdata/calls.txt               TestCallJSON, TestJournals
//	explain                                   supervision/callrecord/testdata  supervision/callrecord TestExplainScripts
//	JSON of rehearse                          testdata/rehearse.json           TestRehearseJSON
//	the journal's schema                      bridge/journal/testdata/*.sql    bridge/journal TestEveryVersionHasItsStatements
//	journals of earlier commits               testdata/journal-*.sql           TestJournals
//	text of events and effects, and the
//	numbers that the journal stores           testdata/words.txt               TestWords
//	faults of the configuration               config/testdata/*.yaml           config TestBadFiles
//	faults of the agent's configuration       config/relayfile_test.go         config TestRelayFaults
//	keys of both configurations               testdata/keys.txt                config TestKeys
//	keys of the log                           testdata/logkeys.txt             TestLogKeys
//	form of a log line                        cmd/internal/cli/log_test.go     cmd/internal/cli TestLogLine
//	flags of every command                    testdata/flags.txt               TestFlags
//	exit codes                                testdata/exitcodes.txt           TestExitCodes
//	the HTTP contract, the user's requests    testdata/http.txt                TestHTTP
//	Modbus boards                             testdata/modbus.txt              TestModbus
//	the agent's registers                     testdata/agent.txt               TestAgent
//	the MQTT contract                         testdata/mqtt.txt                TestMQTT
//	scenario scripts                          supervision/testdata/*.txt       supervision/supervisiontest TestScripts
//	call flows                                bridge/sipua/callflow/testdata   bridge/sipua/callflow TestFlows
package frozen
