package callflow

import (
	"crypto/md5"
	"crypto/sha256"
	"fmt"
	"regexp"
	"strings"
)

var paramIn = regexp.MustCompile(`(\w+)="?([^",]*)"?`)

func params(v string) map[string]string {
	all := map[string]string{}
	for _, m := range paramIn.FindAllStringSubmatch(strings.TrimPrefix(v, "Digest "), -1) {
		all[strings.ToLower(m[1])] = m[2]
	}
	return all
}

// digest returns the response of RFC 7616 section 3.4.1 with qop=auth, or without qop.
func digest(c map[string]string, method, password string) string {
	h := func(s string) string { return fmt.Sprintf("%x", md5.Sum([]byte(s))) }
	if strings.EqualFold(c["algorithm"], "SHA-256") {
		h = func(s string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(s))) }
	}
	ha1, ha2 := h(c["username"]+":"+c["realm"]+":"+password), h(method+":"+c["uri"])
	if c["qop"] == "" {
		return h(ha1 + ":" + c["nonce"] + ":" + ha2)
	}
	return h(strings.Join([]string{ha1, c["nonce"], c["nc"], c["cnonce"], c["qop"], ha2}, ":"))
}

// credentials returns the header field that answers the last challenge.
func (p *peer) credentials(s step, d *dialog, method, uri string) string {
	name, challenge, ok := strings.Cut(d.challenge, ": ")
	if !ok {
		p.s.fail(s, "no challenge came")
	}
	c := params(challenge)
	d.proofs++
	c["username"], c["uri"], c["nc"], c["cnonce"] = p.user, uri, fmt.Sprintf("%08x", d.proofs), p.branch()
	if c["qop"] != "" {
		c["qop"] = "auth"
	}
	v := fmt.Sprintf(`Digest username="%s", realm="%s", nonce="%s", uri="%s", response="%s"`, c["username"], c["realm"],
		c["nonce"], uri, digest(c, method, p.secret))
	if c["qop"] != "" {
		v += fmt.Sprintf(`, qop=auth, nc=%s, cnonce="%s"`, c["nc"], c["cnonce"])
	}
	for _, k := range []string{"algorithm", "opaque"} {
		if c[k] != "" {
			v += fmt.Sprintf(`, %s="%s"`, k, c[k])
		}
	}
	return name + ": " + strings.Replace(v, `algorithm="`+c["algorithm"]+`"`, "algorithm="+c["algorithm"], 1)
}

// withCredentials returns what is wrong with the credentials in a request of the line, for the last challenge in the
// dialog.
func (p *peer) withCredentials(m message) string {
	for _, d := range p.dialogs {
		if d.id != m.Get("Call-ID") {
			continue
		}
		want := params(d.challenge)
		for _, h := range []string{"Authorization", "Proxy-Authorization"} {
			for _, v := range m.All(h) {
				c := params(v)
				if c["realm"] == want["realm"] && c["nonce"] == want["nonce"] && c["username"] == serviceUser &&
					c["response"] == digest(c, m.method, serviceSecret) {
					return ""
				}
			}
		}
	}
	return "has no right answer to the challenge"
}
