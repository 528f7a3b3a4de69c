//go:build race

package agentmqtt

const raceDetector = true
