package mapping

import (
	"fmt"
	"slices"
	"strings"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/ext"

	"tidegate/poct"
)

// formula computes a text from the texts at other places: one expression of
// the Common Expression Language, with its strings extension. at("PLACE") is
// the text at a place, "" where nothing stands there. It has no clock and no
// way out, and its cost is bounded.
type formula struct {
	source  string
	program cel.Program
	places  []place
	names   []string // of the variables that stand for the places
}

// Bounds of an expression: places that it may read, and its cost in CEL's own
// units, at compile time and while it runs.
const (
	formulaPlaces = 16
	formulaCost   = 100_000
)

func (c *compiler) formula(key, text string) *formula {
	out := &formula{source: text}
	at := cel.GlobalMacro("at", 1, func(mef cel.MacroExprFactory, _ ast.Expr, args []ast.Expr) (ast.Expr, *cel.Error) {
		var written types.String
		ok := args[0].Kind() == ast.LiteralKind
		if ok {
			written, ok = args[0].AsLiteral().(types.String)
		}
		if !ok {
			return nil, mef.NewError(args[0].ID(), `at() takes one place in quotes, such as at("PLACE")`)
		}
		p, ok := c.form.place(string(written))
		if !ok {
			return nil, mef.NewError(args[0].ID(), fmt.Sprintf("%q is not a place; %s", string(written), c.form.places))
		}
		p.text = string(written)
		n := slices.IndexFunc(out.places, func(q place) bool { return q.text == p.text })
		if n < 0 {
			if n = len(out.places); n == formulaPlaces {
				return nil, mef.NewError(args[0].ID(), fmt.Sprintf("more than %d places", formulaPlaces))
			}
			out.places = append(out.places, p)
			out.names = append(out.names, variable(n))
		}
		return mef.NewIdent(variable(n)), nil
	})
	options := []cel.EnvOption{cel.Macros(append([]cel.Macro{at}, cel.StandardMacros...)...), ext.Strings()}
	for n := range formulaPlaces {
		options = append(options, cel.Variable(variable(n), cel.StringType))
	}
	env, err := cel.NewEnv(options...)
	if err != nil {
		panic(err) // constants
	}
	tree, issues := env.Compile(text)
	if issues != nil && issues.Err() != nil {
		for _, e := range issues.Errors() {
			c.fault(key, fmt.Sprintf("at %d:%d: %s", e.Location.Line(), e.Location.Column()+1, e.Message),
				`write one CEL expression over at("PLACE")`)
		}
		return out
	}
	switch {
	case !tree.OutputType().IsExactType(cel.StringType):
		c.fault(key, "gives "+tree.OutputType().String()+", not a text", "write string(...) around it")
	case len(out.places) == 0:
		c.fault(key, "reads no place", `write at("PLACE") for what stands in the message`)
	}
	out.program, err = env.Program(tree, cel.EvalOptions(cel.OptOptimize), cel.CostLimit(formulaCost))
	if err != nil {
		c.fault(key, "cannot be prepared", "write it more simply")
	}
	return out
}

// variable is the name of a place's text inside an expression, which nobody
// can write.
func variable(n int) string { return fmt.Sprintf("@p%d", n) }

// compute reads the places and works the expression out. What was read stands
// at the first place that says something. An expression that fails is said to,
// never with the texts that it was given.
func (f *formula) compute(read func(place) found) found {
	var out found
	vars := make(map[string]any, len(f.places))
	for i, p := range f.places {
		got := read(p)
		vars[f.names[i]] = got.text
		if out.at == (poct.Span{}) {
			out.at = got.at
		}
		out.garbled, out.disputed = out.garbled || got.garbled, out.disputed || got.disputed
		if out.fault == "" {
			out.fault = got.fault
		}
	}
	value, _, err := f.program.Eval(vars)
	if text, ok := value.(types.String); err == nil && ok {
		out.text = strings.TrimSpace(string(text))
	} else if out.at != (poct.Span{}) {
		out.fault = "cannot be computed from what the message holds"
	}
	return out
}
