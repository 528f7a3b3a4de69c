package drivers

import (
	"fmt"

	"clearback/bridge/relay"
	"clearback/config"
)

func openGPIO(c *config.Controller, _ Options) (board, func(config.Line) (relay.Contact, error), error) {
	return nil, nil, fmt.Errorf("%w: driver %s is not there yet", ErrConfig, c.Driver)
}

func openSerial(c *config.Controller, _ Options) (board, func(config.Line) (relay.Contact, error), error) {
	return nil, nil, fmt.Errorf("%w: driver %s is not there yet", ErrConfig, c.Driver)
}
