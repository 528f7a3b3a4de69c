// Package deploy has no code. It holds the sample configurations, which are the manuals (contacts.yaml has every
// driver), the pages beside them, among them what a device of one's own has to do (contract-http.md and
// contract-mqtt.md, each with a device that the driver's TestPageDevice runs), the threats, and the service units. Its
// tests check them.
package deploy
