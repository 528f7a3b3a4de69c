//go:build !race

package mqttface

const raceDetector = false
