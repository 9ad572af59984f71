// Package storetest is what every store must do, as one suite of tests, so that
// another database passes the same ones. It promises to use nothing but the
// exported methods, and a clock that it moves itself.
package storetest

import (
	"context"
	"testing"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/store"
)

// Store is what the suite tests.
type Store interface {
	Accept(context.Context, poct.Arrival) (poct.Accepted, error)
	Notice(context.Context, poct.Notice) error
	Arrived() <-chan struct{}
	ClaimArrivals(ctx context.Context, owner string, most int, lease time.Duration) ([]poct.Claim, error)
	Decide(context.Context, []poct.Claim, func(poct.Book, poct.Arrival) (poct.Decision, error)) ([]poct.Decision, []error, error)
	Due(outlet string) <-chan struct{}
	ClaimDeliveries(ctx context.Context, outlet, owner string, most int, lease time.Duration) ([]poct.Delivery, error)
	Intent(context.Context, poct.Delivery, []byte, map[string]string) error
	Finish(context.Context, poct.Delivery, poct.SendOutcome) error
	Release(poct.Delivery)
	Auditing
	PauseOutlet(ctx context.Context, outlet, actor, reason string) error
	ResumeOutlet(ctx context.Context, outlet, actor, reason string) error
	Paused(outlet string) (poct.Pause, bool)
	Settle(context.Context, string, poct.Settlement, func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error)) (poct.HoldRecord, error)
	Holds(context.Context, store.HoldFilter) ([]poct.HoldRecord, error)
	HoldCounts(context.Context) ([]store.HoldCount, error)
	Hold(context.Context, string) (poct.HoldRecord, error)
	Arrival(context.Context, string) (poct.Arrival, poct.State, error)
	Trace(context.Context, string) (poct.Trace, error)
	Find(context.Context, store.Query) ([]string, error)
	Account(context.Context) (poct.Account, error)
	Counts(context.Context) (store.Counts, error)
	Criticals(ctx context.Context, open bool) ([]poct.Critical, error)
	Call(context.Context, poct.CallTry) error
	Notify(context.Context, ...poct.Notification) error
	Notifications(ctx context.Context, channel string, limit int) ([]poct.Notification, error)
	Notified(ctx context.Context, channel, id string) error
	Notifying() <-chan struct{}
	Contact(context.Context, poct.Contact) error
	Contacts(context.Context) ([]poct.Contact, error)
	ContactHistory(ctx context.Context, meter string, n int) ([]poct.Contact, error)
	InletsHeard(context.Context) (map[string]time.Time, error)
	Tests(ctx context.Context, from, to time.Time, by, site string) ([]poct.TestCount, error)
	PairMaterial(ctx context.Context, from, to time.Time, site, stripLot string) (meters, lab []poct.Past, err error)
	LotResults(ctx context.Context, stripLot string, from, to time.Time) ([]poct.Past, error)
	LotTrials(ctx context.Context, stripLot, site string, from, to time.Time) ([]poct.Past, error)
	ControlSeries(ctx context.Context, meter string, from, to time.Time) ([]poct.Past, error)
	Ageing(ctx context.Context, before time.Time, limit int) ([]store.AgeingHold, error)
	Rejudge(ctx context.Context, most int, judge func(poct.Book, poct.HoldRecord, poct.Arrival, poct.Settlement) (poct.Decision, error)) (int, error)
	LookBacks(ctx context.Context, open bool, after string, limit int) ([]poct.LookBack, error)
	LookBack(ctx context.Context, id, after string, limit int) (poct.LookBack, error)
	LookBackItem(ctx context.Context, id, result string) (poct.LookBackItem, error)
	LastReason(ctx context.Context, id, actor string) (string, error)
	JudgeItem(ctx context.Context, lookback string, j poct.Judgement, note func(*poct.Result)) error
	Withdraw(ctx context.Context, j poct.Judgement, note func(*poct.Result)) error
	WidenLookBack(ctx context.Context, id string, from time.Time, actor, reason string) error
	Look(ctx context.Context, actor string, ids, fields []string) error
	Record(ctx context.Context, kind poct.EventKind, actor, text string) error
	Upsert(ctx context.Context, actor string, rows poct.RegistryRows) (added, changed int, err error)
	Registry(ctx context.Context, kind poct.RegistryKind, after string, limit int) (poct.RegistryRows, string, error)
	Book() poct.Book
	Seal(context.Context, *ledger.Key) ([]byte, error)
	Checkpoint(context.Context) ([]byte, error)
	Size(context.Context) (int64, error)
	Event(context.Context, int64) (poct.Event, error)
	Events(ctx context.Context, from int64, n int) ([]poct.Event, error)
	Proof(context.Context, int64) (store.Proof, error)
	Pack(ctx context.Context, ids ...string) (ledger.Pack, error)
	Verify(ctx context.Context, keys string, progress func(done, of int64)) (ledger.Verification, error)
	Close() error
}

var _ Store = (*store.Store)(nil)

// Open gives a new, empty store that reads this clock. It is closed when the
// test ends, if the test has not done so.
type Open func(t testing.TB, now func() time.Time) Store

// Run runs the suite.
func Run(t *testing.T, open Open) {
	for _, group := range []struct {
		name string
		run  func(*testing.T, Open)
	}{
		{"Accept", testAccept},
		{"Claim", testClaim},
		{"Decide", testDecide},
		{"Deliver", testDeliver},
		{"Queue", testQueue},
		{"Pause", testPause},
		{"Audit", testAudit},
		{"Settle", testSettle},
		{"Refused", testRefused},
		{"Find", testFind},
		{"Book", testBook},
		{"Registry", testRegistry},
		{"Ledger", testLedger},
		{"LookBack", testLookBack},
		{"Rejudge", testRejudge},
		{"Context", testContext},
		{"Calls", testCalls},
		{"Standing", testStanding},
		{"Contacts", testContacts},
		{"InletsHeard", testInletsHeard},
		{"Notifications", testNotifications},
		{"Tests", testTests},
		{"Series", testSeries},
		{"Ageing", testAgeing},
		{"Days", testDays},
	} {
		t.Run(group.name, func(t *testing.T) { group.run(t, open) })
	}
}
