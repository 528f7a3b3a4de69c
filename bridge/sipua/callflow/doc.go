// Package callflow plays call flows of the standards, written down as scripts, against one line between a hand-written
// service and a hand-written adapter. Every message is waited for by the party it is for, nothing may be left unread,
// every transaction and every dialog must come to its end, the line to rest, and all that the line sent is judged by
// the rules of the standards (package conformance).
//
// A script is a file in testdata; script_test.go says how it is written. There is no code here but tests.
package callflow
