package httprelay

import (
	"html"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"clearback/bridge/relay"
)

// A piece of a query or body that is shorter than this does not count as a secret, since it may be a word such as
// "open", which a device may use in its answer too. Our own numbers, in bytes.
const (
	secretInQuery = 6
	secretInBody  = 8
)

var bodyWord = regexp.MustCompile(`[A-Za-z0-9+/=._~-]+`)

// answerText returns the text of the device's answer for the end of an error, or "" if there is none. If the answer
// repeats a secret part of the request, answerText does not show it.
func (m *message) answerText(body []byte) string {
	text := relay.PlainText(string(body))
	switch {
	case text == "":
		return ""
	case slices.ContainsFunc(m.secrets, func(s string) bool { return strings.Contains(string(body), s) }):
		return "; the answer repeats a part of the request and is not shown"
	}
	return ": " + text
}

// secretsOf returns the texts of a request that no error may show: the password, the values of the headers, and pieces
// of the query or body that may be keys.
func (k compiler) secretsOf(m *message) []string {
	var all []string
	add := func(s string, least int) {
		if len(s) >= max(1, least) && s != k.opt.Name && s != k.opt.Contact {
			quoted := strconv.Quote(s)
			all = append(all, s, url.QueryEscape(s), html.EscapeString(s), quoted[1:len(quoted)-1])
		}
	}
	add(k.board.opt.Password, 1)
	for _, h := range m.headers {
		if h.Name == "User-Agent" || h.Name == "Cache-Control" || h.Name == "Content-Type" {
			continue // set by the driver
		}
		for _, part := range strings.Fields(h.Value) {
			if part != "Basic" && part != "Bearer" { // names of authentication schemes
				add(part, 1)
			}
		}
	}
	_, query, _ := strings.Cut(m.url, "?")
	for part := range strings.FieldsFuncSeq(query, func(r rune) bool { return r == '&' || r == '=' }) {
		add(part, secretInQuery)
		if plain, err := url.QueryUnescape(part); err == nil {
			add(plain, secretInQuery)
		}
	}
	for _, word := range bodyWord.FindAllString(m.body, -1) {
		add(word, secretInBody)
	}
	slices.Sort(all)
	return slices.Compact(all)
}
