package endpoint

// dropped takes the place of the status code of the final response.
const dropped = 1

// Drop ends the request without any answer, not even 100, so an intruder learns nothing. A repeat of it counts as a new
// request. A later response to it is not sent. It may be called from any goroutine.
func (r *Request) Drop() {
	s := r.server
	if s == nil {
		return
	}
	s.mu.Lock()
	if s.final == 0 {
		s.final, s.responded = dropped, true
	}
	s.mu.Unlock()
	s.tx.Terminate()
}
