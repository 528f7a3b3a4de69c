package registration

import (
	"reflect"
	"slices"
)

// accountTable holds the accounts at one moment. It is replaced as a whole and never modified.
type accountTable struct {
	accounts []*account
	byUser   map[string]*account
	byLine   map[string]*account
	unknown  *account // used for unknown users
	common   []string // the algorithms that unknown users are challenged with
}

func (r *Registrar) table() *accountTable { return r.accountTable.Load() }

// newTable returns a table of these accounts, each made by make. secret is the password of the unknown account.
func (r *Registrar) newTable(all []Account, secret string, make func(Account) *account) *accountTable {
	t := &accountTable{byUser: map[string]*account{}, byLine: map[string]*account{}, common: commonDigest(all)}
	t.unknown = r.account(Account{Password: secret, Digest: t.common})
	for _, one := range all {
		a := make(one)
		t.accounts = append(t.accounts, a)
		if t.byUser[a.User] == nil {
			t.byUser[a.User] = a
		}
		t.byLine[a.Line] = a
	}
	return t
}

// SetAccounts replaces the accounts. An account that stays the same keeps its state. One that changes keeps its
// binding, if that still fits its user, password and addresses. Without one, the line's saved binding is removed. A
// REGISTER that is being handled meanwhile counts, or is challenged again. SetAccounts must not be called concurrently.
func (r *Registrar) SetAccounts(all []Account) {
	old := r.table()
	r.accountTable.Store(r.newTable(all, old.unknown.Password, func(one Account) *account {
		before := old.byLine[one.Line]
		if before != nil && before.same(one) {
			return before
		}
		a := r.account(one)
		if before != nil {
			before.mu.Lock()
			defer before.mu.Unlock()
			r.inherit(a, before)
		}
		return a
	}))
	for _, a := range old.accounts {
		now := r.table().byLine[a.Line]
		if now == a {
			continue
		}
		r.retire(a, now)
		switch {
		case now != nil:
			r.saveBinding(now)
		case r.save != nil:
			r.save(a.Line, nil)
		}
	}
}

// inherit gives an account the binding of the one that it replaces, if that fits. before.mu is held.
func (r *Registrar) inherit(a, before *account) {
	if binding := r.savedLocked(before); binding != nil {
		r.restore(a, *binding)
	}
	a.inheritedCallID, a.inheritedCSeq = before.callID, before.cseq
}

// retire ends the use of an account that is no longer in the table, and gives the account in its place, if any, what
// its adapter has registered meanwhile, unless that account has a REGISTER of its own.
func (r *Registrar) retire(a, now *account) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.replaced.Store(true)
	if now == nil || now.Fixed != nil {
		return
	}
	now.mu.Lock()
	defer now.mu.Unlock()
	if a.callID == now.inheritedCallID && a.cseq == now.inheritedCSeq || now.callID != "" &&
		(now.callID != now.inheritedCallID || now.cseq != now.inheritedCSeq) {
		return
	}
	now.binding = Binding{}
	r.inherit(now, a)
}

// same reports whether an account is as b describes it.
func (a *account) same(b Account) bool {
	digest := b.Digest
	if digest == nil {
		digest = algorithms[:1]
	}
	return a.User == b.User && a.Password == b.Password && reflect.DeepEqual(a.Fixed, b.Fixed) &&
		slices.Equal(a.AllowFrom, b.AllowFrom) && slices.Equal(a.Digest, digest) &&
		(a.Endpoint == nil) == (b.Endpoint == nil) && (a.Endpoint == nil || a.Endpoint() == b.Endpoint())
}
