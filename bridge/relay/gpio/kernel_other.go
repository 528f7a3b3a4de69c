//go:build !linux

package gpio

// system returns [ErrUnsupported] from every call.
type system struct{}

func newSystem() kernel { return system{} }

func (system) chips() ([]string, error)                       { return nil, ErrUnsupported }
func (system) chipInfo(string) (ChipInfo, error)              { return ChipInfo{}, ErrUnsupported }
func (system) lineInfo(string, int) (LineInfo, error)         { return LineInfo{}, ErrUnsupported }
func (system) request(string, int, LineOptions) (line, error) { return nil, ErrUnsupported }
