// Package mqtt drives relay contacts on devices behind an MQTT broker.
package mqtt
