package endpoint

// dropped stands where the status code of the final response would.
const dropped = 1

// Drop ends the request without any answer, not even 100: who should not be here learns nothing. A repeat of it is a
// new request. What is answered afterwards goes nowhere. It may be called from any goroutine.
func (r *Request) Drop() {
	s := r.server
	if s == nil {
		return
	}
	s.mu.Lock()
	if s.final == 0 {
		s.final, s.responded = dropped, true
		s.done.Store(dropped)
	}
	s.mu.Unlock()
	s.tx.Terminate()
}
