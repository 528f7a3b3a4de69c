package callrecord

import (
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"clearback/supervision/sanitize"
)

// dash stands for a missing value.
const dash = "-"

// Span returns a duration for people, rounded: "803 ms", "1.25 s", "2 min 05 s", "1 h 02 min", "3 d 04 h".
func Span(d time.Duration) string {
	if d < 0 {
		return "-" + Span(-d)
	}
	two := func(n int64, unit string, rest int64, sub string) string {
		s := strconv.FormatInt(n, 10) + " " + unit
		if rest < 10 {
			return s + " 0" + strconv.FormatInt(rest, 10) + " " + sub
		}
		return s + " " + strconv.FormatInt(rest, 10) + " " + sub
	}
	ms := int64(d.Round(time.Millisecond) / time.Millisecond)
	s := int64(d.Round(time.Second) / time.Second)
	m := s / 60
	switch {
	case ms < 1000:
		return strconv.FormatInt(ms, 10) + " ms"
	case ms < 60_000:
		return strings.TrimRight(strings.TrimRight(strconv.FormatFloat(float64(ms)/1000, 'f', 3, 64), "0"), ".") + " s"
	case s < 3600:
		return two(m, "min", s%60, "s")
	case s < 24*3600:
		return two(m/60, "h", m%60, "min")
	default:
		return two(m/1440, "d", m/60%24, "h")
	}
}

// clock returns hours, minutes and seconds: "1:05", "1:02:05". places is the number of decimal places, 0 or 3.
func clock(d time.Duration, places int) string {
	unit := time.Second
	if places > 0 {
		unit = time.Millisecond
	}
	d = d.Round(unit)
	h, m, s := int64(d/time.Hour), int64(d/time.Minute%60), int64(d/time.Second%60)
	b := make([]byte, 0, 16)
	if h > 0 {
		b = append(strconv.AppendInt(b, h, 10), ':')
		b = pad(b, m, 2)
	} else {
		b = strconv.AppendInt(b, m, 10)
	}
	b = pad(append(b, ':'), s, 2)
	if places > 0 {
		b = pad(append(b, '.'), int64(d/time.Millisecond%1000), 3)
	}
	return string(b)
}

func pad(b []byte, v int64, places int) []byte {
	s := strconv.FormatInt(v, 10)
	for i := len(s); i < places; i++ {
		b = append(b, '0')
	}
	return append(b, s...)
}

// offset returns a signed time to the millisecond: "+0.012 s", "-1:05.123".
func offset(d time.Duration) string {
	d = d.Round(time.Millisecond)
	sign := "+"
	if d < 0 {
		sign, d = "-", -d
	}
	if d < time.Minute {
		return sign + strconv.FormatFloat(d.Seconds(), 'f', 3, 64) + " s"
	}
	return sign + clock(d, 3)
}

// stamp returns a time as tables write it, in its own zone; "-" for none.
func stamp(t time.Time) string {
	if t.IsZero() {
		return dash
	}
	return t.Format("2006-01-02 15:04:05")
}

// maxText bounds a name or number that the far end chooses, in characters.
const maxText = 40

// clean makes a text from outside safe for a terminal and a table.
func clean(s string) string { return sanitize.Text(s, maxText) }

// tie stands for a space at which wrap must not break.
const tie = "\x1f"

// units stay on the line of the number before them.
var units = []string{"ms", "s", "min", "h"}

// words splits text at the spaces where a line may break.
func words(text string) []string {
	var all []string
	for _, word := range strings.Fields(text) {
		if n := len(all); n > 0 && slices.Contains(units, strings.TrimRight(word, ".,;:)")) {
			if last := all[n-1]; last[len(last)-1] >= '0' && last[len(last)-1] <= '9' {
				all[n-1] += " " + word
				continue
			}
		}
		all = append(all, strings.ReplaceAll(word, tie, " "))
	}
	return all
}

// wrap breaks text into lines of at most width columns, at spaces where possible.
func wrap(text string, width int) []string {
	width = max(width, 1)
	var lines []string
	line, n := "", 0
	for _, word := range words(text) {
		size := utf8.RuneCountInString(word)
		if n > 0 && n+1+size <= width {
			line, n = line+" "+word, n+1+size
			continue
		}
		if n > 0 {
			lines = append(lines, line)
		}
		for size > width {
			runes := []rune(word)
			lines = append(lines, string(runes[:width]))
			word, size = string(runes[width:]), size-width
		}
		line, n = word, size
	}
	if n > 0 || len(lines) == 0 {
		lines = append(lines, line)
	}
	return lines
}
