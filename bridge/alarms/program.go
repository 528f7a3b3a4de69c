package alarms

// ProgramOptions are a user's program.
type ProgramOptions struct {
	// Path is the program's absolute path.
	Path string
	// Arguments are passed unchanged.
	Arguments []string
}
