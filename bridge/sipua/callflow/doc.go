// Package callflow plays call flows of the standards against one line, between a test service and a test adapter that
// are written without our SIP code. The flows are scripts. Each party waits for every message that the script names,
// and no message may be left unread. At the end, every transaction and every dialog has to be over and the line has to
// be idle. Package conformance checks all that the line sent against the rules of the standards.
//
// A script is a file in testdata; script_test.go describes its syntax. This package contains only tests.
package callflow
