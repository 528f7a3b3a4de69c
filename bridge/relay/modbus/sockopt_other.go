//go:build !linux

package modbus

import "net"

func acknowledgeAtOnce(net.Conn) {}
