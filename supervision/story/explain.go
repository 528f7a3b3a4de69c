package story

// Explain returns the time line of a call in words with a small drawing, why it ended as it did, and what to change. entries are those
// of the call and those of the line meanwhile, in order. width is the number of columns, at least 60.
func Explain(a Account, entries []Entry, width int) string { return "" }
