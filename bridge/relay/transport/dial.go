package transport

import (
	"context"
	"net"
	"time"
)

// undelivered is how long the kernel may go on trying to deliver what was written, however long the device may take to
// answer: an opening that a blocked link holds back must not arrive seconds later. Our own number.
const undelivered = 500 * time.Millisecond

// Dial returns what makes connections by TCP, each within the time-out. Bytes that the peer has not acknowledged within
// that time, or within 500 ms if that is shorter, are given up: see [LimitUnacknowledged].
func Dial(timeout time.Duration) func(ctx context.Context, address string) (net.Conn, error) {
	d := net.Dialer{Timeout: timeout, Control: LimitUnacknowledged(min(timeout, undelivered))}
	return func(ctx context.Context, address string) (net.Conn, error) { return d.DialContext(ctx, "tcp", address) }
}
