package relay

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"net"
	"syscall"
)

// claim binds an abstract Unix socket. The socket leaves no file behind, and the kernel frees its name when the process
// dies.
func claim(name string) (io.Closer, error) {
	sum := sha256.Sum256([]byte(name)) // hashed, since a socket name may have at most 107 bytes
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
