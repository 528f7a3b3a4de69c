package config

import (
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// This file has the syntax of the drivers' values, for the daemon's file and for the agent's. It is the same as in the
// drivers, so a driver accepts what is accepted here.

func isControl(r rune) bool { return r < ' ' || r == 0x7f }

// absolute parses a path that begins with /.
func absolute(s string) (string, error) {
	if !filepath.IsAbs(s) || strings.ContainsFunc(s, isControl) {
		return "", errors.New("is not an absolute path; write it with a leading /")
	}
	return filepath.Clean(s), nil
}

// device parses the path of a serial port.
func device(s string) (string, error) {
	if !filepath.IsAbs(s) || strings.ContainsFunc(s, isControl) {
		return "", errors.New("is not the path of a serial port; write one such as /dev/ttyS1, or one below /dev/serial/by-id, which does not change")
	}
	return filepath.Clean(s), nil
}

func within(allowed string, low, high time.Duration, step time.Duration) func(string) (time.Duration, error) {
	return func(s string) (time.Duration, error) {
		v, err := parseDuration(s)
		if err == nil && (v < low || v > high || v%step != 0) {
			err = errors.New("is out of range; allowed: " + allowed)
		}
		return v, err
	}
}

func wholeMilliseconds(low, high time.Duration) func(string) (time.Duration, error) {
	return within(fmt.Sprintf("%v to %v in whole milliseconds", low, high), low, high, time.Millisecond)
}

func wholeSeconds(low, high time.Duration) func(string) (time.Duration, error) {
	return within(fmt.Sprintf("%v to %v in whole seconds", low, high), low, high, time.Second)
}

// brokerAddress parses the address of an MQTT broker.
func brokerAddress(s string) (string, error) {
	rest, ok := strings.CutPrefix(s, "mqtt://")
	if !ok {
		rest, ok = strings.CutPrefix(s, "mqtts://")
	}
	if _, err := hostPort(rest); !ok || err != nil {
		return "", errors.New("is not a broker; write one such as mqtt://broker.millrace.example:1883, or mqtts:// and port 8883")
	}
	return s, nil
}

// topicPrefix parses the beginning of the topics of our own contract.
func topicPrefix(s string) (string, error) {
	if len(s) > 128 || strings.HasPrefix(s, "/") || strings.HasSuffix(s, "/") ||
		!only(s, digits+letters+"-_./") {
		return "", errors.New("is not a topic prefix; write one such as millrace/relay, of letters, digits, - _ . and (not at its ends) /")
	}
	return s, nil
}

func clientID(s string) (string, error) {
	if len(s) > 23 || !only(s, digits+letters+"-_") {
		return "", errors.New("is not a client identifier; allowed: 1 to 23 letters, digits, - and _")
	}
	return s, nil
}

const letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"

// topic parses a topic that can be published to: one without wildcards (MQTT 5, section 4.7).
func topic(s string) (string, error) {
	if s == "" || len(s) > 65535 || strings.ContainsAny(s, "+#") || strings.ContainsFunc(s, isControl) ||
		!utf8.ValidString(s) || strings.HasPrefix(s, "$") {
		return "", errors.New("is not a topic; write one such as playhouse/box-office/relay, without the wildcards + and # and without control characters")
	}
	return s, nil
}

// jsonPointer parses a JSON Pointer (RFC 6901). It is empty or begins with a slash.
func jsonPointer(s string) (string, error) {
	if s != "" && s[0] != '/' || strings.Contains(strings.NewReplacer("~0", "", "~1", "").Replace(s), "~") {
		return "", errors.New("is not a JSON Pointer; write one such as /relays/0/on (in a name, ~0 stands for ~ and ~1 for /)")
	}
	return s, nil
}

// deviceURL parses the URL that begins every request to a device.
func deviceURL(s string) (string, error) {
	u, err := url.Parse(s)
	switch {
	case err == nil && u.User != nil:
		return "", errors.New("contains a user; write user and password as keys of their own")
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.Opaque != "" ||
		strings.ContainsAny(s, "?# "):
		return "", errors.New("is not the URL of a device; write one such as https://relays.millrace.example/api, without a query, which belongs to the path of each request")
	}
	return s, nil
}

// userName parses a user name for basic authentication (RFC 7617).
func userName(s string) (string, error) {
	if s == "" || strings.Contains(s, ":") || strings.ContainsFunc(s, isControl) {
		return "", errors.New("is not a user name; it must not be empty, or contain a colon or control characters (RFC 7617)")
	}
	return s, nil
}

var tokens = regexp.MustCompile("^[!#$%&'*+.^_`|~0-9A-Za-z-]+$") // RFC 9110, section 5.6.2

// framing lists the header fields that delimit a request on its connection. Only the driver sets them.
var framing = []string{"host", "connection", "content-length", "transfer-encoding", "trailer", "upgrade", "expect",
	"te", "keep-alive", "content-type"}

func token(s string) (string, error) {
	if !tokens.MatchString(s) {
		return "", errors.New("is not the name of a header field; write one such as X-Api-Key")
	}
	if slices.Contains(framing, strings.ToLower(s)) {
		return "", errors.New("is a header field that the driver sets; remove it (the key for the type of a body is content_type)")
	}
	return s, nil
}

func printable(s string) (string, error) {
	if s == "" || strings.ContainsFunc(s, isControl) {
		return "", errors.New("is empty or contains control characters")
	}
	return s, nil
}

// unreserved parses a text of characters that mean themselves in every template (RFC 3986, section 2.3).
func unreserved(s string) (string, error) {
	if !only(s, digits+letters+"-._~") {
		return "", errors.New("contains characters other than letters, digits and - . _ ~")
	}
	return s, nil
}

func requestPath(s string) (string, error) {
	if !strings.HasPrefix(s, "/") || strings.ContainsFunc(s, func(r rune) bool {
		return r <= ' ' || r >= 0x7f ||
			r == '#'
	}) {
		return "", errors.New("is not a path; begin it with /, and write characters that a URL cannot contain as %XX")
	}
	return s, nil
}

func statusCode(s string) (int, error) {
	n, err := strconv.Atoi(s)
	if err != nil || n < 200 || n > 599 || n/100 == 3 {
		return 0, errors.New("is not an allowed status code; allowed: 200 to 299 and 400 to 599 (a redirect is neither followed nor a success)")
	}
	return n, nil
}

// unquoted is a value whose faults do not quote it, since somebody may have put a secret there by mistake.
func unquoted(name string, into *string, want string, parse func(string) (string, error)) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		s, ok := d.scalar(path, n, want)
		if !ok {
			return
		}
		v, err := parse(s)
		if err != nil {
			d.add(n, "%s: this %v", path, err)
			return
		}
		*into = v
	}}
}

// literal is a plain value as it is written, including true, false and null. It is sent to or received from a device.
func literal(name string, into *string) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		if n = resolve(n); n.Kind != yaml.ScalarNode {
			d.add(n, "%s: this is %s, but it has to be a text; put it in quotes", path, kindOf(n))
			return
		}
		*into = n.Value
	}}
}

// literals is a list of literal values.
func literals(name string, into *[]string) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		if n.Kind != yaml.SequenceNode || len(n.Content) == 0 {
			d.add(n, "%s: a list of values is needed; write it as [first, second]", path)
			return
		}
		*into = nil
		for i, entry := range n.Content {
			var v string
			at := fmt.Sprintf("%s[%d]", path, i)
			d.places[at] = resolve(entry)
			literal(name, &v).read(d, at, entry)
			*into = append(*into, v)
		}
	}}
}
