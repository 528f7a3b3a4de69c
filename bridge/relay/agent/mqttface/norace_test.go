//go:build !race

package mqttface

const slower = 1
