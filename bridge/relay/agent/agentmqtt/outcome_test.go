package agentmqtt

import (
	"fmt"
	"testing"

	"clearback/bridge/relay/agent"
	"clearback/bridge/relay/mqtt"

	"github.com/stretchr/testify/require"
)

// An error that proves that nothing was done is a refusal. Every other error leaves the contact in doubt.
func TestOutcomes(t *testing.T) {
	t.Parallel()
	for _, err := range []error{agent.ErrTooLong, agent.ErrTooSoon, agent.ErrStopping} {
		s := outcome(fmt.Errorf("contact workshop: %w", err))
		require.Equal(t, mqtt.ResultRefused, s.Result)
		require.Contains(t, s.Why, err.Error())
	}
	for _, err := range []error{agent.ErrOutput, agent.ErrHung} {
		require.Equal(t, mqtt.ResultFailed, outcome(err).Result)
	}
	require.Equal(t, mqtt.State{Result: mqtt.ResultDone}, outcome(nil))
}
