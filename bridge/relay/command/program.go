package command

import (
	"context"
	"fmt"
)

// Program is a user's program that has no contact, such as one that takes messages. It is started in the same way as
// the program of a contact: without a shell's interpretation, in the same environment, in a process group of its own,
// and so that a disk that hangs delays only the run itself. Use [NewProgram]. Its methods must not be called
// concurrently.
type Program struct{ state lineProgram }

// Result is the end of a run.
type Result struct {
	// Status is the exit status. 126 and 127 also mean that the program could not be started (POSIX, exec).
	Status int
	// Output and Problem are the first line on standard output and on standard error, safe to show.
	Output, Problem string
}

// NewProgram returns the program with that absolute path. It does not look for the file.
func NewProgram(path string) *Program {
	return &Program{lineProgram{program: path, check: CheckProgram}}
}

// Run runs the program once. It gets the variables (NAME=value) in addition to the usual environment, and the input on
// its standard input, which it need not read. When ctx ends, the program and its process group are killed. The error
// means that the program was not started or did not end by itself; then what it did is unknown.
func (p *Program) Run(ctx context.Context, arguments, variables []string, input []byte) (Result, error) {
	p.state.start = func(program string, arguments []string) (process, error) {
		return startWith(program, arguments, variables, input)
	}
	if _, err := p.state.connect(ctx); err != nil {
		return Result{}, err
	}
	e, err := p.state.run(ctx, arguments, func() {})
	switch {
	case err != nil:
		return Result{}, err
	case e.err != nil:
		return Result{}, fmt.Errorf("%s: %w", p.state.program, e.err)
	case e.status < 0:
		return Result{}, fmt.Errorf("%s was ended by a signal: %s", p.state.program, e.problem)
	}
	return Result{Status: e.status, Output: firstLine(e.out), Problem: e.problem}, nil
}
