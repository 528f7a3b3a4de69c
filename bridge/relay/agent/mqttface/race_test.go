//go:build race

package mqttface

// slower is by how much the race detector makes everything so, about.
const slower = 3
