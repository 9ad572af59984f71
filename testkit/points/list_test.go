//go:build failpoints

package points

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// inSource reads the names of all failpoints out of the product's source: the
// constant argument of fault.Point, and of the store's own point, which calls
// it. Anything else that is given to fault.Point must be such a passing on.
func inSource(t *testing.T, root string) (names []string) {
	t.Helper()
	found := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case e.IsDir() && (e.Name() == "testkit" || e.Name() == "fault" || strings.HasPrefix(e.Name(), ".") && path != root || e.Name() == "node_modules"):
			return filepath.SkipDir
		case !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go"):
			return nil
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			return err
		}
		ast.Inspect(f, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || len(call.Args) != 1 {
				return true
			}
			fun, ok := call.Fun.(*ast.SelectorExpr)
			if !ok || fun.Sel.Name != "Point" && fun.Sel.Name != "point" {
				return true
			}
			if text, ok := call.Args[0].(*ast.BasicLit); ok && text.Kind == token.STRING {
				name, err := strconv.Unquote(text.Value)
				found[name] = err == nil
			}
			return true
		})
		return nil
	})
	require.NoError(t, err)
	for name := range found {
		names = append(names, name)
	}
	sort.Strings(names)
	return names
}
