package daemon

import (
	"context"

	"go.uber.org/zap"

	"clearback/bridge/relay"
	"clearback/bridge/relay/drivers"
	"clearback/config"
)

// notices returns a function that writes the controllers' notices to the log.
func notices(log *zap.Logger) func(relay.Notice) {
	return func(n relay.Notice) {
		at := zap.InfoLevel
		switch {
		case n.Kind.Alarm():
			at = zap.ErrorLevel
		case n.Kind == relay.LinkLost:
			at = zap.WarnLevel
		}
		fields := []zap.Field{zap.String("controller", n.Controller)}
		if n.Contact != "" {
			fields = append(fields, zap.String("line", n.Contact))
		}
		if n.Err != nil {
			fields = append(fields, zap.Error(n.Err))
		}
		if !n.Since.IsZero() {
			fields = append(fields, zap.Time("since", n.Since))
		}
		log.Log(at, "contact: "+n.Kind.String(), fields...)
	}
}

// CloseContacts closes every contact of the configuration without a daemon, as [drivers.CloseAll] does. The
// controllers' notices go to the log.
func CloseContacts(ctx context.Context, c *config.Config, log *zap.Logger) ([]drivers.NotClosed, error) {
	return drivers.CloseAll(ctx, c, notices(log))
}
