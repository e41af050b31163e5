// Package internal holds no code; this test holds the rules by which its
// packages may know each other. DEVELOPERS.md explains them.
package internal

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// may lists which of our packages each of our packages may import. What is not
// listed is forbidden; a package that is not listed fails the test, so that its
// place is thought about.
var may = map[string][]string{
	"api":                            {},
	"internal/fault":                 {},
	"internal/measure":               {"internal/fault"},
	"internal/money":                 {"internal/fault"},
	"internal/calendar":              {"internal/fault"},
	"internal/condition":             {"internal/fault", "internal/measure"},
	"internal/pm":                    {"internal/access", "internal/assets", "internal/assets/meters", "internal/assets/meters/outlook", "internal/calendar", "internal/condition", "internal/fault", "internal/measure", "internal/pgdb", "internal/pm/ahead", "internal/pm/due", "internal/usage"},
	"internal/pm/due":                {"internal/calendar", "internal/fault", "internal/usage"},
	"internal/pgdb":                  {"internal/fault"},
	"internal/pgdb/cluster":          {},
	"internal/pgtest":                {"internal/access", "internal/fault", "internal/pgdb", "internal/pgdb/cluster"},
	"internal/access":                {"internal/fault", "internal/measure", "internal/pgdb"},
	"internal/assets":                {"internal/access", "internal/assets/supply", "internal/fault", "internal/ident", "internal/measure", "internal/pgdb"},
	"internal/assets/supply":         {"internal/fault"},
	"internal/assets/meters":         {"internal/access", "internal/fault", "internal/pgdb"},
	"internal/ident":                 {},
	"internal/post":                  {},
	"internal/post/posttest":         {},
	"internal/digest":                {"internal/access", "internal/assets/meters", "internal/calendar", "internal/fault", "internal/parts/stock", "internal/pgdb", "internal/pm", "internal/pm/failure", "internal/pm/visits", "internal/post"},
	"internal/diary":                 {"internal/access", "internal/calendar", "internal/fault", "internal/pgdb", "internal/pm", "internal/pm/visits"},
	"internal/exchange":              {"internal/access", "internal/assets/meters", "internal/fault", "internal/ident", "internal/measure", "internal/money", "internal/parts", "internal/parts/amount", "internal/parts/stock", "internal/pgdb"},
	"internal/scheduler":             {},
	"internal/usage":                 {"internal/fault"},
	"internal/usage/wash":            {"internal/fault", "internal/usage"},
	"internal/door":                  {"internal/access", "internal/fault", "internal/pgdb"},
	"internal/httpapi/gen":           {},
	"internal/httpapi":               {"api", "internal/access", "internal/assets", "internal/assets/meters", "internal/assets/meters/outlook", "internal/assets/supply", "internal/calendar", "internal/diary", "internal/door", "internal/exchange", "internal/fault", "internal/httpapi/gen", "internal/measure", "internal/parts", "internal/parts/amount", "internal/parts/fit", "internal/parts/stock", "internal/pgdb", "internal/pm", "internal/pm/ahead", "internal/pm/failure", "internal/pm/isolation", "internal/pm/record", "internal/pm/visits"},
	"internal/web/draw":              {},
	"internal/web":                   {"internal/access", "internal/assets", "internal/assets/meters", "internal/assets/meters/outlook", "internal/assets/supply", "internal/calendar", "internal/condition", "internal/diary", "internal/door", "internal/exchange", "internal/fault", "internal/measure", "internal/money", "internal/parts", "internal/parts/amount", "internal/parts/fit", "internal/parts/stock", "internal/pgdb", "internal/pm", "internal/pm/ahead", "internal/pm/due", "internal/pm/failure", "internal/pm/isolation", "internal/pm/record", "internal/pm/visits", "internal/usage", "internal/web/draw"},
	"internal/demo":                  {"internal/access", "internal/assets", "internal/assets/meters", "internal/assets/meters/outlook", "internal/calendar", "internal/fault", "internal/measure", "internal/parts", "internal/parts/amount", "internal/parts/stock", "internal/pgdb", "internal/pm", "internal/pm/failure", "internal/pm/record", "internal/pm/visits", "internal/usage/wash"},
	"internal":                       {},
	"internal/assets/meters/outlook": {"internal/access", "internal/assets/meters", "internal/pgdb", "internal/usage"},
	"internal/pm/failure":            {"internal/access", "internal/fault", "internal/pgdb"},
	"internal/pm/ahead":              {"internal/calendar", "internal/fault", "internal/pm/due"},
	"internal/pm/isolation":          {"internal/access", "internal/assets", "internal/fault", "internal/pgdb"},
	"internal/pm/visits":             {"internal/access", "internal/calendar", "internal/fault", "internal/money", "internal/parts", "internal/parts/amount", "internal/parts/carry", "internal/parts/fit", "internal/parts/kit", "internal/parts/stock", "internal/pgdb", "internal/pm", "internal/pm/due", "internal/pm/visits/crew", "internal/pm/visits/grouping", "internal/pm/visits/readiness", "internal/pm/visits/route"},
	"internal/pm/record":             {"internal/access", "internal/assets", "internal/assets/meters", "internal/assets/supply", "internal/calendar", "internal/condition", "internal/fault", "internal/parts", "internal/parts/amount", "internal/parts/stock", "internal/pgdb", "internal/pm", "internal/pm/isolation"},
	"internal/pm/visits/crew":        {"internal/calendar"},
	"internal/pm/visits/grouping":    {"internal/calendar", "internal/fault", "internal/money", "internal/pm/due", "internal/pm/visits/crew"},
	"internal/pm/visits/route":       {"internal/calendar", "internal/fault"},
	"internal/pm/visits/readiness":   {"internal/calendar", "internal/fault", "internal/pm/due", "internal/pm/visits/crew"},
	"internal/parts/carry":           {"internal/fault"},
	"internal/parts":                 {"internal/access", "internal/assets", "internal/assets/supply", "internal/condition", "internal/fault", "internal/measure", "internal/parts/amount", "internal/parts/fit", "internal/parts/kit", "internal/pgdb"},
	"internal/parts/fit":             {"internal/assets/supply", "internal/condition", "internal/fault"},
	"internal/parts/amount":          {"internal/fault"},
	"internal/parts/kit":             {"internal/fault", "internal/parts/amount"},
	"internal/parts/stock":           {"internal/access", "internal/assets", "internal/calendar", "internal/fault", "internal/parts/amount", "internal/parts/kit", "internal/pgdb"},
	"internal/parts/replenish":       {"internal/calendar", "internal/fault", "internal/parts/amount", "internal/pm/visits/readiness"},
}

// pure packages decide; they know no database, no HTTP and no clock.
var pure = []string{"internal/assets/supply", "internal/calendar", "internal/condition", "internal/fault", "internal/ident", "internal/measure", "internal/money", "internal/parts/amount", "internal/parts/carry", "internal/parts/fit", "internal/parts/kit", "internal/parts/replenish", "internal/pm/ahead", "internal/pm/due", "internal/pm/visits/crew", "internal/pm/visits/grouping", "internal/pm/visits/readiness", "internal/pm/visits/route", "internal/usage", "internal/usage/wash", "internal/web/draw"}

// A feature knows neither gin nor HTTP.
var features = []string{"internal/access", "internal/assets", "internal/assets/meters", "internal/assets/meters/outlook", "internal/diary", "internal/digest", "internal/exchange", "internal/parts", "internal/parts/stock", "internal/pm", "internal/pm/failure", "internal/pm/isolation", "internal/pm/record", "internal/pm/visits"}

// clocks are the packages that may look at the clock: to measure how long
// something took, to wait, or because they stand outside the program.
var clocks = []string{"internal/door", "internal/scheduler", "internal/pgdb/cluster"}

type listed struct {
	ImportPath                string
	Imports                   []string
	TestImports, XTestImports []string
	Deps                      []string
}

func list(t *testing.T) map[string]listed {
	t.Helper()
	out, err := exec.Command("go", "list", "-tags", "nomsgpack", "-json=ImportPath,Imports,TestImports,XTestImports,Deps", "spindlebook/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	all := map[string]listed{}
	for dec := json.NewDecoder(strings.NewReader(string(out))); dec.More(); {
		var l listed
		if err := dec.Decode(&l); err != nil {
			t.Fatal(err)
		}
		all[strings.TrimPrefix(l.ImportPath, "spindlebook/")] = l
	}
	return all
}

func TestImportsPointOneWay(t *testing.T) {
	for name, l := range list(t) {
		if strings.HasPrefix(name, "cmd/") {
			continue // wiring and tools may know everything
		}
		allowed, known := may[name]
		if !known {
			t.Errorf("%s has no place in the table of this test", name)
		}
		for _, i := range l.Imports {
			if ours, ok := strings.CutPrefix(i, "spindlebook/"); ok && !slices.Contains(allowed, ours) {
				t.Errorf("%s must not import %s", name, ours)
			}
		}
	}
}

func TestPurePackagesDecideOnly(t *testing.T) {
	all := list(t)
	for _, name := range pure {
		for _, d := range all[name].Deps {
			if d == "net/http" || d == "database/sql" || strings.HasPrefix(d, "gorm.io/") || strings.HasPrefix(d, "github.com/") {
				t.Errorf("%s is pure and must not reach %s", name, d)
			}
		}
	}
	for _, name := range features {
		for _, d := range all[name].Deps {
			if strings.HasPrefix(d, "github.com/gin-gonic/") {
				t.Errorf("%s is a feature and must not reach gin", name)
			}
		}
		for _, i := range all[name].Imports {
			if i == "net/http" {
				t.Errorf("%s is a feature and must not know HTTP", name)
			}
		}
	}
}

// now is an argument: only the outermost packages look at the clock.
func TestNobodyElseLooksAtTheClock(t *testing.T) {
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		dir := "internal/" + filepath.ToSlash(filepath.Dir(path))
		if slices.Contains(clocks, dir) {
			return nil
		}
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, path, nil, 0)
		if err != nil {
			return err
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok {
				if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" && (s.Sel.Name == "Now" || s.Sel.Name == "Since" || s.Sel.Name == "Sleep") {
					t.Errorf("%s: time.%s: the time is an argument here", fset.Position(n.Pos()), s.Sel.Name)
				}
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// go.mod says which modules we chose: what our code or its tests import stands there as ours,
// and what only others need as theirs.
func TestWhatWeImportIsOurChoice(t *testing.T) {
	file, err := os.ReadFile("../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	imported := map[string]bool{}
	for _, l := range list(t) {
		for _, i := range slices.Concat(l.Imports, l.TestImports, l.XTestImports) {
			for ; i != "."; i = path.Dir(i) {
				imported[i] = true
			}
		}
	}
	n := 0
	for line := range strings.Lines(string(file)) {
		f := strings.Fields(strings.TrimPrefix(line, "require "))
		if len(f) < 2 || !strings.Contains(f[0], ".") {
			continue
		}
		n++
		if theirs := strings.HasSuffix(strings.TrimSpace(line), "// indirect"); theirs == imported[f[0]] {
			t.Errorf("%s: imported by us is %v, and go.mod says otherwise: go mod tidy", f[0], imported[f[0]])
		}
	}
	if n < 40 {
		t.Fatalf("only %d modules were read", n)
	}
}
