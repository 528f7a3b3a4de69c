package testrun

import (
	"fmt"
	"go/ast"
	"go/token"
	"go/types"
	"reflect"
	"strings"
)

// fingerprint writes a declaration without its positions, comments and names. It keeps literals and struct tags, and
// the names of the language and of packages outside the module, because no rename of ours changes them. A name declared
// within the declaration is written as a number, so that two exchanged names are noticed. A qualified name of another
// package of the module is written like an unqualified one, so that the named object may move.
func fingerprint(n ast.Node, imports map[string]string, module string) string {
	p := printer{within: n, imports: imports, module: module, locals: map[token.Pos]int{}}
	p.value(reflect.ValueOf(n))
	return p.String()
}

type printer struct {
	strings.Builder
	within  ast.Node
	imports map[string]string
	module  string
	locals  map[token.Pos]int // the number of each name declared in the declaration
}

// meaning lists the position fields of go/ast whose presence has a meaning: f(all...) and type A = B.
var meaning = map[string]bool{"Ellipsis": true, "Assign": true}

func (p *printer) value(v reflect.Value) {
	switch v.Kind() {
	case reflect.Interface:
		if !v.IsNil() {
			p.value(v.Elem())
		}
		return
	case reflect.Slice:
		p.WriteByte('[')
		for i := range v.Len() {
			p.value(v.Index(i))
			p.WriteByte(' ')
		}
		p.WriteByte(']')
		return
	case reflect.Pointer:
		if !v.IsNil() {
			p.node(v)
		}
		return
	}
	fmt.Fprintf(p, "%v", v.Interface())
}

func (p *printer) node(v reflect.Value) {
	switch n := v.Interface().(type) {
	case *ast.Ident:
		p.name(n)
		return
	case *ast.SelectorExpr:
		p.selector(n)
		return
	case *ast.KeyValueExpr:
		if _, ok := n.Key.(*ast.Ident); ok { // usually a struct field; the parser cannot know
			p.WriteString("_:")
			p.value(reflect.ValueOf(n.Value))
			return
		}
	}
	e := v.Elem()
	fmt.Fprintf(p, "%s{", e.Type().Name())
	for i := range e.NumField() {
		f := e.Type().Field(i)
		if f.Type == reflect.TypeFor[token.Pos]() {
			if meaning[f.Name] && e.Field(i).Interface().(token.Pos).IsValid() {
				p.WriteString(f.Name + " ")
			}
			continue
		}
		p.value(e.Field(i))
		p.WriteByte(' ')
	}
	p.WriteByte('}')
}

// name writes an unqualified identifier.
func (p *printer) name(id *ast.Ident) {
	switch {
	case id.Obj != nil && p.within.Pos() <= id.Obj.Pos() && id.Obj.Pos() < p.within.End():
		n, known := p.locals[id.Obj.Pos()]
		if !known {
			n = len(p.locals)
			p.locals[id.Obj.Pos()] = n
		}
		fmt.Fprintf(p, "$%d", n)
	case id.Obj == nil && types.Universe.Lookup(id.Name) != nil:
		p.WriteString(id.Name)
	default:
		p.WriteByte('_')
	}
}

// selector writes x.Name.
func (p *printer) selector(s *ast.SelectorExpr) {
	from := ""
	if id, ok := s.X.(*ast.Ident); ok && id.Obj == nil {
		from = p.imports[id.Name]
	}
	switch {
	case from == p.module && from != "", strings.HasPrefix(from, p.module+"/"):
		p.WriteByte('_')
	case from != "":
		p.WriteString(from + "." + s.Sel.Name)
	default:
		p.value(reflect.ValueOf(s.X))
		p.WriteString("._")
	}
}
