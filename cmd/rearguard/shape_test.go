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
	maxTestLines     = 110 // of a test function, which holds its table of cases
	maxFields        = 20
	maxMethods       = 40
)

// tables are files that are one literal, with the reason why each stays whole.
// Only their length is exempt.
func tables() map[string]string { return map[string]string{} }

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
	for name := range s.unseen {
		t.Errorf("%s is listed as a table and is not there", name)
	}
	if faults := s.faults(); len(faults) > 0 {
		t.Errorf("%d faults of shape; split what is too large by what it knows:\n%s", len(faults), strings.Join(faults, "\n"))
	}
}

// shape is what was measured of a module.
type shape struct {
	root     string
	files    int
	tables   map[string]string
	unseen   map[string]string // tables not met yet
	packages map[string]int    // lines by folder
	methods  map[string]int    // by folder and type
	found    []string
}

// measureModule reads every Go file below root that the go command would build
// or test.
func measureModule(root string) (*shape, error) {
	s := &shape{root: root, tables: tables(), unseen: tables(), packages: map[string]int{}, methods: map[string]int{}}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		switch base := d.Name(); {
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
	_, m.table = s.tables[name]
	delete(s.unseen, name)
	if !m.table && lines > maxFileLines {
		s.found = append(s.found, fmt.Sprintf("%s: file of %d lines, at most %d", name, lines, maxFileLines))
	}
	m.measure(tree)
	return nil
}

// shapeFile is one file under measurement.
type shapeFile struct {
	shape        *shape
	set          *token.FileSet
	name, folder string
	table        bool
}

func (f *shapeFile) fault(at token.Pos, format string, args ...any) {
	f.shape.found = append(f.shape.found, fmt.Sprintf("%s:%d: %s", f.name, f.set.Position(at).Line, fmt.Sprintf(format, args...)))
}

func (f *shapeFile) measure(tree *ast.File) {
	for _, decl := range tree.Decls {
		if fn, ok := decl.(*ast.FuncDecl); ok {
			f.function("function "+fn.Name.Name, fn)
			if fn.Recv != nil {
				f.shape.methods[f.folder+": "+receiverType(fn.Recv.List[0].Type)]++
			}
			continue
		}
		ast.Inspect(decl, func(n ast.Node) bool {
			if fn, ok := n.(*ast.FuncLit); ok {
				f.function("function", fn)
			}
			return true
		})
	}
	names := map[*ast.StructType]string{}
	ast.Inspect(tree, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.TypeSpec:
			if s, ok := n.Type.(*ast.StructType); ok {
				names[s] = n.Name.Name + " "
			}
		case *ast.StructType:
			f.fields("struct "+names[n], n)
			f.contexts(n)
		}
		return true
	})
}

func (f *shapeFile) function(what string, n ast.Node) {
	most := maxFunctionLines
	if strings.HasSuffix(f.name, "_test.go") {
		most = maxTestLines
	}
	if lines := f.set.Position(n.End()).Line - f.set.Position(n.Pos()).Line + 1; lines > most && !f.table {
		f.fault(n.Pos(), "%s of %d lines, at most %d", what, lines, most)
	}
}

// fields counts names: a, b T are two, an embedded type is one.
func (f *shapeFile) fields(what string, s *ast.StructType) {
	n := 0
	for _, field := range s.Fields.List {
		n += max(1, len(field.Names))
	}
	if n > maxFields {
		f.fault(s.Pos(), "%sof %d fields, at most %d", what, n, maxFields)
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
