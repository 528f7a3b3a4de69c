package relay

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"net"
	"syscall"
)

// claim binds an abstract Unix socket: no file is left behind and the kernel frees the name when the process dies.
func claim(name string) (io.Closer, error) {
	sum := sha256.Sum256([]byte(name)) // a bounded length: such names end at 107 bytes
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Net: "unixgram", Name: "@clearback/contact/" +
		hex.EncodeToString(sum[:16])})
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, ErrLocked
	}
	if err != nil {
		return nil, err
	}
	return c, nil
}
