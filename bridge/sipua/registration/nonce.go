package registration

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"sync"
	"time"
)

// nonceLife is how long a nonce may be used. Our own number: longer than a call setup with a challenge takes, and so
// short that a captured nonce soon becomes useless.
const nonceLife = 5 * time.Minute

const (
	nonceSalt = 12
	nonceMAC  = 16
	nonceLen  = 8 + nonceSalt + nonceMAC
)

// nonces creates and checks nonces (RFC 7616 section 3.3). A nonce consists of a time, a random salt, and a keyed hash
// of both and of its scope ([nonceScope]). So a challenge that is not answered needs no memory. Only the counts of
// correctly answered nonces are stored. Safe for concurrent use.
type nonces struct {
	key [sha256.Size]byte

	mu    sync.Mutex
	used  map[string]usedNonce
	swept time.Time
}

type usedNonce struct {
	count int
	until time.Time
}

func newNonces() *nonces {
	n := &nonces{used: map[string]usedNonce{}}
	rand.Read(n.key[:]) // never fails (crypto/rand)
	return n
}

func (n *nonces) mac(head []byte, place string) []byte {
	m := hmac.New(sha256.New, n.key[:])
	m.Write(head)
	m.Write([]byte(place))
	return m.Sum(nil)[:nonceMAC]
}

// make returns a new nonce for a place.
func (n *nonces) make(now time.Time, place string) string {
	var raw [nonceLen]byte
	binary.BigEndian.PutUint64(raw[:], uint64(now.UnixNano()))
	rand.Read(raw[8:])
	copy(raw[8+nonceSalt:], n.mac(raw[:8+nonceSalt], place))
	return base64.RawURLEncoding.EncodeToString(raw[:])
}

// ours reports whether a nonce was sent to that place and has not expired.
func (n *nonces) ours(now time.Time, place, nonce string) bool {
	_, ok := n.until(now, place, nonce)
	return ok
}

// until returns when a nonce expires. ok reports whether it is ours and has not expired.
func (n *nonces) until(now time.Time, place, nonce string) (end time.Time, ok bool) {
	raw, err := base64.RawURLEncoding.DecodeString(nonce)
	if err != nil || len(raw) != nonceLen || !hmac.Equal(raw[8+nonceSalt:], n.mac(raw[:8+nonceSalt], place)) {
		return time.Time{}, false
	}
	made := time.Unix(0, int64(binary.BigEndian.Uint64(raw)))
	end = made.Add(nonceLife)
	return end, now.Before(end) && !now.Before(made)
}

// spend reports whether a nonce is ours, has not expired, and count is higher than in all its earlier uses. It records
// the use. Call it only if the credentials are correct, so that only somebody who knows a password can fill the table.
func (n *nonces) spend(now time.Time, place, nonce string, count int) bool {
	until, ok := n.until(now, place, nonce)
	if !ok {
		return false
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if now.Sub(n.swept) > nonceLife {
		n.swept = now
		for k, u := range n.used {
			if !now.Before(u.until) {
				delete(n.used, k)
			}
		}
	}
	if count <= n.used[nonce].count {
		return false
	}
	n.used[nonce] = usedNonce{count: count, until: until}
	return true
}
