package testrun

import (
	"fmt"
	"go/ast"
	"go/constant"
	"go/token"
	"go/types"
	"slices"
	"strings"
)

// A mutant is one change of one file's text.
type mutant struct {
	in         *source
	start, end int    // the offsets of the replaced text
	text       string // the new text
}

// line returns the line at which the change begins.
func (m *mutant) line() int { return m.in.lineAt(m.start) }

// String returns the mutant's place and its lines before and after the change.
func (m *mutant) String() string {
	before := m.in.text[:m.start]
	from := strings.LastIndexByte(before, '\n') + 1
	to := m.end
	if i := strings.IndexByte(m.in.text[m.end:], '\n'); i >= 0 {
		to += i
	}
	after := oneLine(m.in.text[from:m.start] + m.text + m.in.text[m.end:to])
	if after == "" {
		after = "(dropped)"
	}
	return fmt.Sprintf("%s:%d: %s -> %s", m.in.name, m.line(), oneLine(m.in.text[from:to]), after)
}

// oneLine shortens source text for a report.
func oneLine(s string) string {
	const most = 120 // characters, so that a report can be read
	s = strings.Join(strings.Fields(s), " ")
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "..."
	}
	return s
}

// mutated returns the file's text with the change made.
func (m *mutant) mutated() string { return m.in.text[:m.start] + m.text + m.in.text[m.end:] }

// swaps maps each operator to those that replace it.
var swaps = map[token.Token][]token.Token{
	token.LSS: {token.LEQ, token.GEQ}, token.LEQ: {token.LSS, token.GTR},
	token.GTR: {token.GEQ, token.LEQ}, token.GEQ: {token.GTR, token.LSS},
	token.EQL: {token.NEQ}, token.NEQ: {token.EQL},
	token.LAND: {token.LOR}, token.LOR: {token.LAND},
	token.ADD: {token.SUB}, token.SUB: {token.ADD},
	token.MUL: {token.QUO}, token.QUO: {token.MUL}, token.REM: {token.MUL},
	token.AND: {token.OR}, token.OR: {token.AND}, token.AND_NOT: {token.AND},
	token.SHL: {token.SHR}, token.SHR: {token.SHL},
	token.ADD_ASSIGN: {token.SUB_ASSIGN}, token.SUB_ASSIGN: {token.ADD_ASSIGN},
	token.MUL_ASSIGN: {token.QUO_ASSIGN}, token.QUO_ASSIGN: {token.MUL_ASSIGN},
	token.OR_ASSIGN: {token.AND_ASSIGN}, token.AND_ASSIGN: {token.OR_ASSIGN},
	token.INC: {token.DEC}, token.DEC: {token.INC},
}

// A finder collects the mutants of one file. Some of them do not compile.
type finder struct {
	in    *source
	info  *types.Info
	found []*mutant
}

func (f *finder) add(pos, end token.Pos, text string) {
	f.found = append(f.found, &mutant{f.in, f.in.offset(pos), f.in.offset(end), text})
}

// find returns the mutants of a file in the order of its text.
func find(in *source, info *types.Info) []*mutant {
	f := &finder{in: in, info: info}
	ast.PreorderStack(in.tree, nil, f.visit)
	slices.SortStableFunc(f.found, func(a, b *mutant) int { return a.start - b.start })
	return f.found
}

// visit adds the mutants of the node itself. It reports whether to visit the node's children.
func (f *finder) visit(n ast.Node, above []ast.Node) bool {
	if f.logs(n) {
		return false
	}
	if len(above) > 0 {
		if parent, ok := above[len(above)-1].(*ast.IfStmt); ok && n != parent.Init && f.onlyLogs(parent) {
			return false
		}
	}
	if s, ok := n.(ast.Stmt); ok && len(above) > 0 {
		f.dropStatement(s, above)
	}
	switch n := n.(type) {
	case *ast.BinaryExpr:
		f.swap(n.OpPos, n.Op)
	case *ast.AssignStmt:
		f.swap(n.TokPos, n.Tok)
	case *ast.IncDecStmt:
		f.swap(n.TokPos, n.Tok)
	case *ast.UnaryExpr:
		if n.Op == token.NOT {
			f.add(n.OpPos, n.X.Pos(), "")
		}
	case *ast.BasicLit:
		f.number(n, above)
	case *ast.Ident:
		switch f.info.Uses[n] {
		case types.Universe.Lookup("true"):
			f.add(n.Pos(), n.End(), "false")
		case types.Universe.Lookup("false"):
			f.add(n.Pos(), n.End(), "true")
		}
	case *ast.IfStmt:
		if !f.onlyLogs(n) {
			f.condition(n)
		}
	case *ast.CaseClause, *ast.CommClause:
		f.add(n.Pos(), n.End(), "")
	case *ast.ReturnStmt:
		f.noError(n)
	}
	return true
}

func (f *finder) swap(pos token.Pos, op token.Token) {
	for _, other := range swaps[op] {
		f.add(pos, pos+token.Pos(len(op.String())), other.String())
	}
}

// condition negates an if condition, unless another mutant does the same, and removes an else branch.
func (f *finder) condition(n *ast.IfStmt) {
	same := false
	switch cond := n.Cond.(type) {
	case *ast.BinaryExpr:
		same = cond.Op.Precedence() == token.EQL.Precedence()
	case *ast.UnaryExpr:
		same = cond.Op == token.NOT
	}
	if !same {
		f.add(n.Cond.Pos(), n.Cond.End(), "!("+f.in.between(n.Cond.Pos(), n.Cond.End())+")")
	}
	if n.Else != nil {
		f.add(n.Body.End(), n.Else.End(), "")
	}
}

// number adds one to a constant and subtracts one from it. It skips capacities, because no result depends on them.
func (f *finder) number(n *ast.BasicLit, above []ast.Node) {
	if n.Kind != token.INT {
		return
	}
	if call, ok := above[len(above)-1].(*ast.CallExpr); ok && f.capacity(call, n) {
		return
	}
	value := constant.MakeFromLiteral(n.Value, n.Kind, 0)
	one := constant.MakeInt64(1)
	f.add(n.Pos(), n.End(), constant.BinaryOp(value, token.ADD, one).ExactString())
	if constant.Sign(value) > 0 {
		f.add(n.Pos(), n.End(), constant.BinaryOp(value, token.SUB, one).ExactString())
	}
}

// capacity reports whether an argument of make is the capacity of a slice or a map.
func (f *finder) capacity(call *ast.CallExpr, arg ast.Expr) bool {
	if id, ok := call.Fun.(*ast.Ident); !ok || f.info.Uses[id] != types.Universe.Lookup("make") {
		return false
	}
	_, isMap := f.info.TypeOf(call).Underlying().(*types.Map)
	return isMap || len(call.Args) == 3 && arg == call.Args[2]
}

// dropStatement removes a statement of a block: an assignment, a call without a result, a jump, or a bare return.
func (f *finder) dropStatement(s ast.Stmt, above []ast.Node) {
	switch parent := above[len(above)-1].(type) {
	case *ast.BlockStmt:
	case *ast.CaseClause:
	case *ast.CommClause:
		if parent.Comm == s {
			return
		}
	default:
		return
	}
	switch s := s.(type) {
	case *ast.AssignStmt:
		if s.Tok == token.DEFINE {
			return
		}
	case *ast.ReturnStmt:
		if slices.ContainsFunc(s.Results, func(e ast.Expr) bool { return !f.info.Types[e].IsNil() }) {
			return
		}
	case *ast.IncDecStmt, *ast.ExprStmt, *ast.SendStmt, *ast.DeferStmt, *ast.GoStmt, *ast.BranchStmt:
	default:
		return
	}
	f.add(s.Pos(), s.End(), "")
}

// noError returns nil in place of an error.
func (f *finder) noError(n *ast.ReturnStmt) {
	for _, e := range n.Results {
		t := f.info.Types[e].Type
		if t != nil && !f.info.Types[e].IsNil() && types.AssignableTo(t, types.Universe.Lookup("error").Type()) {
			f.add(e.Pos(), e.End(), "nil")
		}
	}
}

// onlyLogs reports whether an if statement affects nothing but what is logged.
func (f *finder) onlyLogs(n *ast.IfStmt) bool {
	other := func(s ast.Stmt) bool { return !f.logs(s) }
	return n.Else == nil && len(n.Body.List) > 0 && !slices.ContainsFunc(n.Body.List, other)
}

// loggers are the packages whose calls only log.
var loggers = []string{"go.uber.org/zap", "log/slog", "log"}

// logs reports whether a node does nothing but log.
func (f *finder) logs(n ast.Node) bool {
	switch n := n.(type) {
	case *ast.ExprStmt:
		return f.logs(n.X)
	case *ast.IfStmt:
		return n.Init == nil && f.onlyLogs(n)
	case *ast.CallExpr:
		if name, ok := n.Fun.(*ast.SelectorExpr); ok {
			called := f.info.Uses[name.Sel]
			return called != nil && called.Pkg() != nil && slices.Contains(loggers, called.Pkg().Path())
		}
	}
	return false
}
