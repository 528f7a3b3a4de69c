// Package deploy has no code. It holds the sample configurations, which are the manuals (contacts.yaml has every
// driver), the service units, the page of threats, and other pages. Two of these, contract-http.md and
// contract-mqtt.md, say how a relay device must behave; each shows a device that the driver's TestPageDevice runs. The
// folder fleet is an example for many sites, which TestFleet of cmd/internal/interop starts. The tests of this package
// check all these files except fleet/mosquitto.conf, which only TestFleet reads.
package deploy
