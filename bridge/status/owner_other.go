//go:build !unix

package status

// whose says for whom the socket is.
func whose(string) string { return "is for its owner and its group" }
