//go:build race

package media_test

const raceDetector = true
