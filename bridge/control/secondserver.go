package control

import (
	"context"
	"net/http"
	"time"
)

// SecondServer is what is known about the second server in the line's adapter, which it uses when the daemon is down.
type SecondServer struct {
	// Passed and Failed are when a test last ended that way.
	Passed time.Time `json:"passed_at,omitzero"`
	Failed time.Time `json:"failed_at,omitzero"`
	// TestAgain is why it has to be tested again: failed, or old (a year). It is absent if it need not.
	TestAgain string `json:"test_again,omitempty"`
	// Test is the test that is under way.
	Test *SecondServerTest `json:"test,omitempty"`
}

// SecondServerTest is a test of the second server: the daemon answers nothing to the line's adapter, which then has to
// go elsewhere.
type SecondServerTest struct {
	// Until is the time by which the test ends by itself.
	Until time.Time `json:"until"`
	// Unanswered is the number of messages from the adapter that got no answer, retransmissions included. Last is when
	// the last one came.
	Unanswered int       `json:"unanswered"`
	Last       time.Time `json:"last,omitzero"`
	// Ended is why the test has ended: answered (the PUT), time, emergency (a call for help), still-called (an ordinary
	// call was still made here), call-arrived (from the service) or stopped. It is absent while the test lasts.
	Ended string `json:"ended,omitempty"`
}

// TestSecondServer makes the daemon answer nothing to the line's adapter until ctx ends, the daemon ends the test, or
// SecondServerTested is called.
func (c *Client) TestSecondServer(ctx context.Context, line string) (SecondServerTest, error) {
	var t SecondServerTest
	err := c.do(ctx, http.MethodPost, linePath(line, "second-server"), nil, &t)
	return t, err
}

// SecondServerTested ends the test that is under way and records whether it has passed.
func (c *Client) SecondServerTested(ctx context.Context, line string, passed bool) error {
	return c.do(ctx, http.MethodPut, linePath(line, "second-server"), testedBody{&passed}, nil)
}

// testedBody is the body of the answer to a test.
type testedBody struct {
	Passed *bool `json:"passed"`
}

func testSecondServer(s *Server, r *http.Request, line string, body []byte) (any, error) {
	if _, err := parse[empty](body); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(r.Context()) // ends when the client disconnects
	defer cancel()
	defer context.AfterFunc(s.ctx, cancel)()
	return s.backend.TestSecondServer(ctx, line)
}

func secondServerTested(s *Server, _ *http.Request, line string, body []byte) (any, error) {
	b, err := parse[testedBody](body)
	if err == nil && b.Passed == nil {
		err = badBody("passed is missing")
	}
	if err != nil {
		return nil, err
	}
	return nil, s.backend.SecondServerTested(line, *b.Passed)
}
