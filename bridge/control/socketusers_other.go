//go:build !unix

package control

// socketUsers says who may use the socket.
func socketUsers(string) string { return "is for its owner and its group" }
