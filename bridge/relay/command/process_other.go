//go:build !linux

package command

import "errors"

// errSystem: killing process groups is implemented for Linux only.
var errSystem = errors.New("programs can be run on Linux only")

func executable(string) error { return errSystem }

func start(string, []string) (process, error) { return nil, errSystem }

func startWith(string, []string, []string, []byte) (process, error) { return nil, errSystem }
