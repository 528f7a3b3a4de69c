// Package interop proves the built daemon against programs that are not ours: SIPp and baresip as adapter and as far end,
// kamailio as the service, a board on libmodbus as relay controller. It holds tests only; what the board moved, and when, is the measure of every
// scene.
//
// The tests TestAttack play outsiders, and neighbours with a known address, by hand: SIP, RTP and Modbus are written byte by byte (peer_test.go),
// without a library and without the daemon's code. Beside each attack stands the caller in need.
package interop
