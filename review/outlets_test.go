package review_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/review"
)

// turns remembers what was asked of the store.
type turns []string

func (t *turns) PauseOutlet(_ context.Context, outlet, actor, reason string) error {
	*t = append(*t, "pause "+outlet+" by "+actor+": "+reason)
	return nil
}

func (t *turns) ResumeOutlet(_ context.Context, outlet, actor, reason string) error {
	*t = append(*t, "resume "+outlet+" by "+actor+": "+reason)
	return nil
}

func TestWhoPausesAnOutlet(t *testing.T) {
	engineer := poct.Actor{Name: "e.varga", Role: "engineer", Sites: []string{"*"}}
	tests := []struct {
		name   string
		actor  poct.Actor
		outlet string
		reason string
		want   error
		asked  turns
	}{
		{name: "an engineer of all sites", actor: engineer, outlet: "record", reason: " being moved tonight ", asked: turns{"pause record by e.varga: being moved tonight"}},
		{name: "a coordinator of its sites", actor: poct.Actor{Name: "k.osei", Role: "coordinator", Sites: []string{"saltmarsh", "millrace"}}, outlet: "lab", reason: "being moved tonight", asked: turns{"pause lab by k.osei: being moved tonight"}},
		{name: "a coordinator of one of its sites", actor: poct.Actor{Name: "k.osei", Role: "coordinator", Sites: []string{"saltmarsh"}}, outlet: "lab", reason: "being moved tonight", want: poct.ErrForbidden},
		{name: "a coordinator of some sites, an outlet of all", actor: poct.Actor{Name: "k.osei", Role: "coordinator", Sites: []string{"saltmarsh"}}, outlet: "record", reason: "being moved tonight", want: poct.ErrForbidden},
		{name: "a reviewer", actor: poct.Actor{Name: "r.ito", Role: "reviewer", Sites: []string{"*"}}, outlet: "record", reason: "being moved tonight", want: poct.ErrForbidden},
		{name: "one that there is not", actor: engineer, outlet: "elsewhere", reason: "being moved tonight", want: poct.ErrNotFound},
		{name: "no reason", actor: engineer, outlet: "record", reason: "   because ", want: &review.FormError{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var asked turns
			o := review.NewOutlets(&asked, map[string][]string{"record": {"*"}, "lab": {"saltmarsh", "millrace"}})
			err := o.Pause(t.Context(), tt.actor, tt.outlet, tt.reason)
			var form *review.FormError
			switch want := tt.want.(type) {
			case nil:
				require.NoError(t, err)
			case *review.FormError:
				require.ErrorAs(t, err, &form)
			default:
				require.ErrorIs(t, err, want)
			}
			assert.Equal(t, tt.asked, asked)
		})
	}
	var asked turns
	o := review.NewOutlets(&asked, map[string][]string{"record": {"*"}})
	require.NoError(t, o.Resume(t.Context(), engineer, "record", "moved, and it answers"))
	assert.Equal(t, turns{"resume record by e.varga: moved, and it answers"}, asked)
}
