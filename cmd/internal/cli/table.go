package cli

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/pflag"
	"golang.org/x/term"
)

const (
	columnGap = 2 // blanks between columns
	// leastColumn is the smallest width of a column if the words of a table do not fit. It is our own figure.
	leastColumn = 8
)

// table writes rows with aligned columns. On a terminal it keeps to the terminal's width: it leaves out spare columns,
// unless a cell of theirs marks trouble. If that is not enough, it wraps cells. Elsewhere it writes every column, and
// each row on one line.
type table struct {
	w     io.Writer
	least int      // smallest width of a column off a terminal, gap included
	spare []string // titles of the columns that may be left out, in that order

	begun  bool
	shown  []int // columns on a terminal, chosen by the first rows; nil elsewhere
	widths []int // width of every column
}

// wideFlag adds --wide.
func wideFlag(f *pflag.FlagSet) *bool {
	return f.Bool("wide", false, "show every column, however wide the terminal is")
}

// table returns the writer for a table. If wide, the writer hides the terminal.
func (e *env) table(wide bool) io.Writer {
	if wide {
		return struct{ io.Writer }{e.Out} // not a terminal, so without a width
	}
	return e.Out
}

// terminalWidth returns the number of columns of the terminal that a stream writes to. ok is false if it is no
// terminal.
func terminalWidth(w io.Writer) (columns int, ok bool) {
	f := fileOf(w)
	if f == nil {
		return 0, false
	}
	columns, _, err := term.GetSize(int(f.Fd()))
	return columns, err == nil && columns > 0
}

// write writes rows. The first row of the first call holds the titles.
func (t *table) write(rows [][]string) error {
	if len(rows) == 0 {
		return nil
	}
	var b strings.Builder
	var left []string
	columns, ok := terminalWidth(t.w)
	if ok && !t.begun {
		left = t.choose(rows, columns)
	}
	t.begun = true
	if t.shown != nil {
		for _, r := range rows {
			t.row(&b, r)
		}
	} else {
		tabs := tabwriter.NewWriter(&b, t.least, 0, columnGap, ' ', 0)
		for _, r := range rows {
			fmt.Fprintln(tabs, strings.Join(r, "\t"))
		}
		tabs.Flush()
	}
	if len(left) > 0 {
		note := "not shown: " + strings.Join(left, ", ") + "; --wide shows every column"
		fmt.Fprintln(&b, strings.Join(breakAt(note, columns), "\n"))
	}
	_, err := io.WriteString(t.w, b.String())
	return err
}

// choose selects the columns and their widths. It returns the titles of the columns that it leaves out.
func (t *table) choose(rows [][]string, columns int) (left []string) {
	t.widths = make([]int, len(rows[0])) // the longest cell of each column
	words := make([]int, len(rows[0]))   // the longest word of each column
	for i := range rows[0] {
		t.shown = append(t.shown, i)
		for _, r := range rows {
			t.widths[i] = max(t.widths[i], utf8.RuneCountInString(r[i]))
			for _, word := range strings.Fields(r[i]) {
				words[i] = max(words[i], utf8.RuneCountInString(word))
			}
		}
	}
	free := func() int {
		sum := columnGap * (len(t.shown) - 1)
		for _, i := range t.shown {
			sum += t.widths[i]
		}
		return columns - sum
	}
	for _, title := range t.spare {
		i := slices.Index(rows[0], title)
		if i >= 0 && free() < 0 && !slices.ContainsFunc(rows[1:], func(r []string) bool { return marksTrouble(r[i]) }) {
			t.shown = slices.DeleteFunc(t.shown, func(shown int) bool { return shown == i })
			left = append(left, title)
		}
	}
	slack := func(i int) int { return t.widths[i] - words[i] }
	for wordsBroken := false; free() < 0; {
		loosest := slices.MaxFunc(t.shown, func(a, b int) int { return slack(a) - slack(b) })
		switch {
		case slack(loosest) > 0:
			t.widths[loosest]--
		case wordsBroken:
			return left // the terminal is too narrow
		default:
			wordsBroken = true
			for i := range words {
				words[i] = min(words[i], leastColumn)
			}
		}
	}
	t.widths[t.shown[len(t.shown)-1]] += free() // room for later rows
	return left
}

// row writes one row, on as many lines as its cells need.
func (t *table) row(b *strings.Builder, cells []string) {
	broken, deepest := make([][]string, len(t.shown)), 0
	for n, i := range t.shown {
		broken[n] = breakAt(cells[i], t.widths[i])
		deepest = max(deepest, len(broken[n]))
	}
	for line := range deepest {
		var text strings.Builder
		for n, i := range t.shown {
			cell := ""
			if line < len(broken[n]) {
				cell = broken[n][line]
			}
			fmt.Fprintf(&text, "%-*s", t.widths[i]+columnGap, cell)
		}
		fmt.Fprintln(b, strings.TrimRight(text.String(), " "))
	}
}

// marksTrouble reports whether a cell has a word in capitals, as in "NOT registered".
func marksTrouble(cell string) bool {
	words := strings.FieldsFunc(cell, func(r rune) bool { return !unicode.IsLetter(r) })
	return slices.ContainsFunc(words, func(w string) bool { return len(w) > 2 && w == strings.ToUpper(w) })
}

// breakAt breaks a text into lines of at most that many characters. It breaks inside a word only if the word is longer.
func breakAt(text string, most int) (lines []string) {
	line := ""
	for _, word := range strings.Fields(text) {
		for {
			free := most - utf8.RuneCountInString(line) - 1
			if line == "" {
				free = most
			}
			if utf8.RuneCountInString(word) <= free {
				break
			}
			if line == "" {
				runes := []rune(word)
				line, word = string(runes[:most]), string(runes[most:])
			}
			lines, line = append(lines, line), ""
		}
		line = strings.TrimPrefix(line+" "+word, " ")
	}
	return append(lines, line)
}
