//go:build !linux

package command

import "errors"

// errSystem: this driver kills groups of processes as Linux does it.
var errSystem = errors.New("programs are run on Linux only")

func executable(string) error { return errSystem }

func start(string, []string) (process, error) { return nil, errSystem }
