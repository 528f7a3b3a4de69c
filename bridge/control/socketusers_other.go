//go:build !unix

package control

// socketUsers says for whom the socket is.
func socketUsers(string) string { return "is for its owner and its group" }
