package alarms

import (
	"time"

	"go.uber.org/zap"
)

// QueueOptions are a folder and the ways out.
type QueueOptions struct {
	// Dir is the folder; its parent must exist. No other process may use it at the same time.
	Dir string
	// Ways are the ways out by name. The name decides what a message that was left by the last process is for, so keep
	// it, and change it when the way leads to somebody else ("mail to box-office@millrace.example").
	Ways map[string]Way
	Log  *zap.Logger
}

// Status is the state of a way.
type Status struct {
	Waiting  int    // messages that the way has not accepted
	Refused  int    // of those, the ones that it refused for good; they are tried again when the queue is opened again
	Dropped  int    // since the queue was opened: too many, or older than a week
	Accepted int    // since the queue was opened
	Failure  string // the last attempt's error; "" if it succeeded
	Since    time.Time
}
