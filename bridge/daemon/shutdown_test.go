package daemon

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/sipua/uatest"
)

// An emergency call that arrives while the ending daemon unregisters is put through, and the daemon runs until the call
// has ended.
func TestEmergencyCallWhileUnregistering(t *testing.T) {
	service, adapter := uatest.New(t, "service"), uatest.New(t, "box-office")
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.Serve(t, &daemontest.Board{}), service.At.String(), adapter.At.String()))
	d, err := Start(c, Options{Logger: zap.NewNop()})
	require.NoError(t, err)
	daemontest.Answer(service, service.Expect("REGISTER"), "200 OK")
	require.Eventually(t, func() bool { return d.agent.Line("box-office").Status().Service.Registered }, 5*time.Second,
		time.Millisecond)

	ended := make(chan struct{}) // closed when the daemon has ended
	go func() { defer close(ended); d.Shutdown(context.Background()) }()
	last := service.Expect("REGISTER")
	at := c.SIP.AdapterSide.Listen
	adapter.Call("sip:911@"+at.String(), "<sip:box-office@"+adapter.At.String()+">", at, "")
	invite := service.Expect("INVITE")
	require.Contains(t, invite.Start, "INVITE sip:911@")
	daemontest.Answer(service, last, "200 OK")
	require.Eventually(t, func() bool { return !d.agent.Line("box-office").Status().Service.Registered }, 5*time.Second,
		time.Millisecond)
	require.True(t, d.EmergencyUp())
	select {
	case <-ended:
		t.Fatal("the daemon has ended, and an emergency call is up")
	default:
	}
	service.Respond(invite, 486, "millrace", "")
	adapter.Expect("486")
	<-ended
}
