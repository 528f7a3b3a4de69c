package config

import (
	"errors"
	"math"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// This file has the syntax of plain values. The error of each parser completes the sentence "KEY: "VALUE" ...".

// only reports whether s is not empty and consists of the given characters.
func only(s, allowed string) bool { return s != "" && strings.Trim(s, allowed) == "" }

const digits = "0123456789"

func name(s string) (string, error) {
	if len(s) > 32 || !only(s, digits+"abcdefghijklmnopqrstuvwxyz-") {
		return "", errors.New("is not a name; allowed: 1 to 32 of a-z, 0-9 and -")
	}
	return s, nil
}

func host(s string) (string, error) {
	if len(s) > 253 || !only(s, digits+"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ.-:") {
		return "", errors.New("is not a host; write a name or an IP address, without a port")
	}
	return s, nil
}

func realm(s string) (string, error) {
	if len(s) > 64 || !only(s, digits+"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ.-_") {
		return "", errors.New("is not a realm; allowed: 1 to 64 letters, digits, dots, - and _")
	}
	return s, nil
}

func dialled(s string) (string, error) {
	if len(s) > 15 || !only(s, digits) {
		return "", errors.New("is not a number; allowed: 1 to 15 digits")
	}
	return s, nil
}

func pattern(s string) (string, error) {
	if len(s) > 15 || !only(s, digits+"x") {
		return "", errors.New("is not a pattern of extensions; allowed: 1 to 15 of 0-9, and x for any digit, such as 1xx")
	}
	return s, nil
}

// group parses the name or number of a system group.
func group(s string) (string, error) {
	if len(s) > 32 || !only(s, digits+"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ_-.") {
		return "", errors.New("is not a group; write the name of a group, such as operators, or its number")
	}
	return s, nil
}

// spans parses a time that is 0 or between low and high. It accepts days too (365d).
func spans(allowed string, low, high time.Duration) func(string) (time.Duration, error) {
	return func(s string) (time.Duration, error) {
		v, err := parseDays(s)
		if err == nil && v != 0 && (v < low || v > high) {
			err = errors.New("is out of range; allowed: " + allowed)
		}
		return v, err
	}
}

const day = 24 * time.Hour

func parseDays(s string) (time.Duration, error) {
	if number, ok := strings.CutSuffix(s, "d"); ok && only(number, digits) {
		n, err := strconv.ParseInt(number, 10, 64)
		if err != nil || n > math.MaxInt64/int64(day) {
			n = math.MaxInt64 / int64(day) // the caller's bounds reject it
		}
		return time.Duration(n) * day, nil
	}
	return parseDuration(s)
}

// parseSize parses a size in bytes such as 500MB or 1GB, with 1000 kB to the MB.
func parseSize(s string) (int64, error) {
	const low, high = 10_000_000, 1_000_000_000_000
	for i, unit := range []string{"kB", "MB", "GB"} {
		number, ok := strings.CutSuffix(s, unit)
		if !ok || !only(number, digits) {
			continue
		}
		n, err := strconv.ParseInt(number, 10, 64)
		scale := int64(math.Pow10(3 * (i + 1)))
		if err != nil || n > high/scale || n*scale < low {
			return 0, errors.New("is out of range; allowed: 10MB to 1000GB")
		}
		return n * scale, nil
	}
	return 0, errors.New("is not a size; write a whole number and kB, MB or GB, without a space: 500MB, 1GB")
}

// release is a release time: "350ms" if it was measured, else a range such as "50ms-600ms".
func release(name string, low, high *time.Duration) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		s, ok := d.scalar(path, n, "a time like 350ms, or two like 50ms-600ms")
		if !ok {
			return
		}
		first, last, two := strings.Cut(s, "-")
		if !two {
			last = first
		}
		a, err := parseDuration(first)
		b, err2 := parseDuration(last)
		const least, most = time.Millisecond, 3 * time.Second
		switch {
		case err != nil || err2 != nil:
			d.add(n, "%s: %q is not a release time; write the measured one, such as 350ms, or the shortest and the longest that are likely, such as 50ms-600ms",
				path, s)
		case a < least || b < a || b > most:
			d.add(n, "%s: %q is out of range; allowed: %v to %v, the shorter one first", path, s, least, most)
		default:
			*low, *high = a, b
		}
	}}
}
