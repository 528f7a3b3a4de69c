// Package interop proves the built daemon against programs that are not ours: SIPp and baresip as adapter and as far end,
// kamailio as the service, a board on libmodbus as relay controller. It holds tests only; what the board moved, and when, is the measure of every
// scene.
package interop
