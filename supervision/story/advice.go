package story

import "clearback/supervision"

// Advice is one sentence on what to do about an incident.
func Advice(reason supervision.Incident, rule supervision.Suppression, flash bool) string { return "" }
