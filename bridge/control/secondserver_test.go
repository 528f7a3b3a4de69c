package control

import (
	"context"
	"net/http"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func (h *fakeBackend) TestSecondServer(ctx context.Context, line string) (SecondServerTest, error) {
	h.note("second", line)
	if h.ring != nil {
		_, err := h.ring(ctx)
		return SecondServerTest{}, err
	}
	return SecondServerTest{Unanswered: 3, Ended: "answered"}, h.result()
}

func (h *fakeBackend) SecondServerTested(line string, passed bool) error {
	h.note("second", line, strconv.FormatBool(passed))
	return h.result()
}

func TestSecondServerRoundTrip(t *testing.T) {
	h := &fakeBackend{}
	path, _ := serve(t, h)
	c, ctx := client(t, path)
	got, err := c.TestSecondServer(ctx, "stage-door")
	require.NoError(t, err)
	assert.Equal(t, SecondServerTest{Unanswered: 3, Ended: "answered"}, got)
	require.NoError(t, c.SecondServerTested(ctx, "stage-door", true))
	require.NoError(t, c.SecondServerTested(ctx, "stage-door", false))
	res, _ := over(t, path, http.MethodPut, "/v1/lines/stage-door/second-server", "{}")
	assert.Equal(t, http.StatusBadRequest, res.StatusCode, "an answer that says nothing ends no test")
	res, _ = over(t, path, http.MethodPost, "/v1/lines/stage-door/second-server", `{"for":"ever"}`)
	assert.Equal(t, http.StatusBadRequest, res.StatusCode)
	assert.Equal(t, []string{"second stage-door", "second stage-door true", "second stage-door false"}, h.list())
}

// A client that disconnects, however it ended, ends its test: the line answers its adapter again.
func TestSecondServerTestEndsWithItsClient(t *testing.T) {
	began, ended := make(chan struct{}), make(chan error, 1) // one end
	h := &fakeBackend{ring: func(ctx context.Context) (uint64, error) {
		close(began)
		<-ctx.Done()
		ended <- ctx.Err()
		return 0, ctx.Err()
	}}
	path, _ := serve(t, h)
	c, _ := client(t, path)
	ctx, leave := context.WithCancel(t.Context())
	left := make(chan error, 1) // one result
	go func() { _, err := c.TestSecondServer(ctx, "box-office"); left <- err }()
	<-began
	leave()
	assert.ErrorIs(t, <-ended, context.Canceled)
	assert.ErrorIs(t, <-left, context.Canceled)
}
