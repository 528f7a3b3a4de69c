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

// Shorter pieces of a query or a body are words such as "open", which a device may say too. Our own numbers.
const (
	secretInQuery = 6
	secretInBody  = 8
)

var bodyWord = regexp.MustCompile(`[A-Za-z0-9+/=._~-]+`)

// answerText is what the device said in the body of its answer, as the end of an error; "" if nothing. What repeats a
// part of the request that nobody should see is left out.
func (m *message) answerText(body []byte) string {
	text := relay.PlainText(string(body))
	switch {
	case text == "":
		return ""
	case slices.ContainsFunc(m.secrets, func(s string) bool { return strings.Contains(string(body), s) }):
		return "; what it said repeats a part of the request, and is not shown"
	}
	return ": " + text
}

// secretsOf are the texts of a request that its errors must not show: the password, the values of its headers, and what
// may be a key in its query or its body.
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
			continue // the driver's own
		}
		for _, part := range strings.Fields(h.Value) {
			if part != "Basic" && part != "Bearer" { // the names of ways to log in
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
