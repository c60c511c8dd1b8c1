package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The most that a reader can be asked to hold in mind at once.
const (
	maxPackageLines  = 3000 // of one folder, without tests
	maxFileLines     = 500
	maxFunctionLines = 80
	maxFields        = 20
	maxMethods       = 40
)

// tables are files that are one literal, with the reason why it stays whole.
// Only their length is exempt.
var tables = map[string]string{}

// TestShape holds every Go file of the module within the limits above, and
// contexts out of structs: a context belongs to a call.
func TestShape(t *testing.T) {
	s, err := measureModule("../..")
	if err != nil {
		t.Fatal(err)
	}
	if s.files < 100 {
		t.Fatalf("only %d files were found; is this the module?", s.files)
	}
	for name := range tables {
		if !s.tables[name] {
			t.Errorf("%s is listed as a table and is not there", name)
		}
	}
	if faults := s.faults(); len(faults) > 0 {
		t.Errorf("%d faults of shape; split what is too large by what it knows:\n%s", len(faults), strings.Join(faults, "\n"))
	}
}

// shape is what was measured of a module.
type shape struct {
	root     string
	files    int
	tables   map[string]bool
	packages map[string]int // lines by folder
	methods  map[string]int // by folder and type
	found    []string
}

// measureModule reads every Go file below root that the go command would build
// or test.
func measureModule(root string) (*shape, error) {
	s := &shape{root: root, tables: map[string]bool{}, packages: map[string]int{}, methods: map[string]int{}}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch base := d.Name(); {
		case err != nil:
			return err
		case d.IsDir() && path != root && (base == "testdata" || base == "vendor" || base == "node_modules" || strings.HasPrefix(base, ".")):
			return filepath.SkipDir
		case d.IsDir() || !strings.HasSuffix(base, ".go"):
			return nil
		}
		return s.measureFile(path)
	})
	return s, err
}

// faults returns what exceeds a limit, sorted by place.
func (s *shape) faults() []string {
	out := slices.Clone(s.found)
	for folder, lines := range s.packages {
		if lines > maxPackageLines {
			out = append(out, fmt.Sprintf("%s: package of %d lines, at most %d", folder, lines, maxPackageLines))
		}
	}
	for name, n := range s.methods {
		if n > maxMethods {
			out = append(out, fmt.Sprintf("%s: type of %d methods, at most %d", name, n, maxMethods))
		}
	}
	slices.Sort(out)
	return out
}

func (s *shape) measureFile(path string) error {
	files := token.NewFileSet()
	tree, err := parser.ParseFile(files, path, nil, parser.SkipObjectResolution)
	if err != nil {
		return err
	}
	name, err := filepath.Rel(s.root, path)
	if err != nil {
		return err
	}
	name = filepath.ToSlash(name)
	m := shapeFile{shape: s, set: files, name: name, folder: filepath.ToSlash(filepath.Dir(name))}
	s.files++
	lines := files.File(tree.FileStart).LineCount()
	if !strings.HasSuffix(name, "_test.go") {
		s.packages[m.folder] += lines
	}
	if _, table := tables[name]; table {
		s.tables[name] = true
	} else if lines > maxFileLines {
		s.found = append(s.found, fmt.Sprintf("%s: file of %d lines, at most %d", name, lines, maxFileLines))
	}
	ast.Inspect(tree, m.inspect)
	return nil
}

// shapeFile is one file under measurement.
type shapeFile struct {
	shape        *shape
	set          *token.FileSet
	name, folder string
}

func (f *shapeFile) fault(at token.Pos, format string, args ...any) {
	f.shape.found = append(f.shape.found, fmt.Sprintf("%s:%d: %s", f.name, f.set.Position(at).Line, fmt.Sprintf(format, args...)))
}

func (f *shapeFile) inspect(n ast.Node) bool {
	switch n := n.(type) {
	case *ast.FuncDecl:
		f.function("function "+n.Name.Name, n)
		if n.Recv != nil {
			f.shape.methods[f.folder+": "+receiverType(n.Recv.List[0].Type)]++
		}
	case *ast.FuncLit:
		f.function("function literal", n)
	case *ast.TypeSpec:
		if s, ok := n.Type.(*ast.StructType); ok {
			f.fields("struct "+n.Name.Name, s)
		}
	case *ast.StructType:
		f.contexts(n)
	}
	return true
}

func (f *shapeFile) function(what string, n ast.Node) {
	_, table := tables[f.name]
	if lines := f.set.Position(n.End()).Line - f.set.Position(n.Pos()).Line + 1; lines > maxFunctionLines && !table {
		f.fault(n.Pos(), "%s of %d lines, at most %d", what, lines, maxFunctionLines)
	}
}

// fields counts names: a, b T are two, an embedded type is one.
func (f *shapeFile) fields(what string, t *ast.StructType) {
	n := 0
	for _, field := range t.Fields.List {
		n += max(1, len(field.Names))
	}
	if n > maxFields {
		f.fault(t.Pos(), "%s of %d fields, at most %d", what, n, maxFields)
	}
}

func (f *shapeFile) contexts(s *ast.StructType) {
	for _, field := range s.Fields.List {
		if t, ok := field.Type.(*ast.SelectorExpr); ok && t.Sel.Name == "Context" {
			if p, ok := t.X.(*ast.Ident); ok && p.Name == "context" {
				f.fault(field.Pos(), "a context is stored in a struct; pass it to the calls that need it")
			}
		}
	}
}

// receiverType is the name of a method's type, without pointer and parameters.
func receiverType(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.StarExpr:
		return receiverType(e.X)
	case *ast.IndexExpr:
		return receiverType(e.X)
	case *ast.IndexListExpr:
		return receiverType(e.X)
	case *ast.Ident:
		return e.Name
	}
	return "?"
}
