package ledger_test

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"tidegate/ledger"
	"tidegate/poct"
)

// log is a small ledger with its key: events of which a pack takes some.
type log struct {
	key    *ledger.Key
	tree   ledger.Tree
	tiles  tileStore
	events []poct.Event
	heads  []ledger.Head
}

func newLog(t testing.TB, size int) *log {
	l := &log{key: newKey(t, origin), tiles: tileStore{}, heads: []ledger.Head{{}}}
	l.heads[0] = l.tree.Head()
	for i := range size {
		e := poct.Event{
			Index: int64(i), Time: time.Date(2026, 3, 2, 8, 0, i, 0, time.UTC), Kind: poct.EventRead,
			Actor: poct.System, Arrival: fmt.Sprintf("A-%d", i/4), Result: fmt.Sprintf("R-%d", i/4), Version: 1,
		}
		switch i % 4 {
		case 0:
			e.Kind = poct.EventReceived
			e.Payload, e.Salt = vouching(rawOf(i)), saltOf(i)
		case 2:
			e.Kind, e.Outlet = poct.EventIntent, "record"
			e.Payload, e.Salt = vouching(rawOf(i)), saltOf(i)
		}
		l.add(e)
	}
	return l
}

func (l *log) add(e poct.Event) {
	for _, tile := range l.tree.Append(ledger.LeafHash(e)) {
		l.tiles[[2]int64{int64(tile.Level), tile.N}] = tile.Data
	}
	l.events = append(l.events, e)
	l.heads = append(l.heads, l.tree.Head())
}

func rawOf(i int) []byte {
	return fmt.Appendf(nil, "MSH|^~\\&|QUILL3|||||||%d\rOBX|1|NM|INR||2.%d\r", i, i%10)
}
func saltOf(i int) []byte { s := sha256.Sum256([]byte{byte(i)}); return s[:ledger.SaltSize] }

func vouching(data []byte) []byte {
	sum := sha256.Sum256(data)
	b, err := json.Marshal(ledger.Payload{SHA256: hex.EncodeToString(sum[:]), Bytes: len(data)})
	if err != nil {
		panic(err)
	}
	return b
}

// pack takes events [from, to) with their bytes, and an anchor.
func (l *log) pack(t testing.TB, from, to int) ledger.Pack {
	head := l.tree.Head()
	signed, err := l.key.Sign(ledger.Checkpoint{Origin: origin, Head: head})
	require.NoError(t, err)
	p := ledger.Pack{Checkpoint: signed}
	for _, e := range l.events[from:to] {
		proof, err := l.tree.Prove(head, e.Index, l.tiles.get)
		require.NoError(t, err)
		item := ledger.Item{Event: e, Proof: proof}
		switch e.Kind {
		case poct.EventReceived:
			item.Raw = rawOf(int(e.Index))
		case poct.EventIntent:
			item.Sent = rawOf(int(e.Index))
		}
		p.Items = append(p.Items, item)
	}
	for _, size := range []int64{0, 3, 7} {
		proof, err := l.tree.ProveGrowth(head, size, l.tiles.get)
		require.NoError(t, err)
		anchor := ledger.Checkpoint{Origin: origin, Head: l.heads[size]}
		p.Anchors = append(p.Anchors, ledger.Growth{Anchor: anchor, Proof: proof})
	}
	return p
}

func write(t testing.TB, p ledger.Pack, key *ledger.Key) []byte {
	var b bytes.Buffer
	require.NoError(t, ledger.WritePack(&b, p, key))
	return b.Bytes()
}

func verify(pack []byte, keys string) ledger.Verification {
	return ledger.VerifyPack(bytes.NewReader(pack), int64(len(pack)), keys)
}

func TestPackVerifies(t *testing.T) {
	l := newLog(t, 600)
	pack := write(t, l.pack(t, 256, 268), l.key)
	require.Equal(t, pack, write(t, l.pack(t, 256, 268), l.key), "the same pack, the same bytes")

	head := l.tree.Head()
	want := ledger.Verification{
		Verified: true, Size: 600, Root: head.Root.String(), Faults: []ledger.Fault{}, Origin: origin,
		Events: 12, SignedBy: l.key.String(), Trusted: true,
	}
	require.Equal(t, want, verify(pack, l.key.Public()))

	want.Trusted = false
	want.Notes = []string{"signed by key " + l.key.String() + ", which came with the pack and is not proof by itself"}
	require.Equal(t, want, verify(pack, ""))

	foreign := verify(pack, newKey(t, origin).Public())
	require.False(t, foreign.Verified)
	require.Equal(t, []ledger.Fault{{Index: -1, What: "manifest.note: none of the given keys has signed it"}}, foreign.Faults)

	unread := verify(pack, "no key")
	require.False(t, unread.Verified)
	require.Equal(t, "the given key: line 1 is not a public key of the form name+id+key", unread.Faults[0].What)
}

func TestErasedPayloadStaysProven(t *testing.T) {
	l := newLog(t, 20)
	p := l.pack(t, 4, 8)
	for i := range p.Items {
		e := &p.Items[i].Event
		e.Digest, e.Payload, e.Salt = ledger.Digest(*e), nil, nil
		p.Items[i].Raw, p.Items[i].Sent = nil, nil
	}
	report := verify(write(t, p, l.key), l.key.Public())
	require.True(t, report.Verified, report.Faults)
	require.Equal(t, int64(2), report.Erased)
}

// A damaged ledger exports as it is, and the damage is named at its event.
func TestDamagedLedgerIsNamed(t *testing.T) {
	for _, tt := range []struct {
		name   string
		damage func(*ledger.Pack)
		want   ledger.Fault
	}{
		{"event changed", func(p *ledger.Pack) { p.Items[1].Event.Actor = "somebody" },
			ledger.Fault{Index: 5, What: "it does not stand in the ledger like this: the proof does not lead to this head"}},
		{"index changed", func(p *ledger.Pack) { p.Items[3].Event.Index = 9 },
			ledger.Fault{Index: 9, What: "it does not stand in the ledger like this: the proof does not lead to this head"}},
		{"payload changed", func(p *ledger.Pack) {
			e := &p.Items[0].Event
			e.Payload = append(slices.Clone(e.Payload), ' ')
		}, ledger.Fault{Index: 4, What: "it does not stand in the ledger like this: the proof does not lead to this head"}},
		{"salt and payload shifted", func(p *ledger.Pack) {
			e := &p.Items[0].Event
			e.Salt, e.Payload = append(slices.Clone(e.Salt), e.Payload[0]), e.Payload[1:]
		}, ledger.Fault{Index: 4, What: "its payload and salt do not fit the digest in the leaf"}},
		{"raw changed", func(p *ledger.Pack) { p.Items[0].Raw[5] ^= 1 },
			ledger.Fault{Index: 4, What: "raw/000000000004 is not what the event says"}},
		{"sent changed", func(p *ledger.Pack) { p.Items[2].Sent = append(p.Items[2].Sent, 0) },
			ledger.Fault{Index: 6, What: "sent/000000000006 is not what the event says"}},
		{"bytes of another event", func(p *ledger.Pack) { p.Items[1].Raw = p.Items[0].Raw },
			ledger.Fault{Index: 5, What: "raw/000000000005 is not what the event says"}},
		{"proof changed", func(p *ledger.Pack) { p.Items[2].Proof[0][3] ^= 1 },
			ledger.Fault{Index: 6, What: "it does not stand in the ledger like this: the proof does not lead to this head"}},
		{"anchor of another history", func(p *ledger.Pack) { p.Anchors[1].Anchor.Root[0] ^= 1 },
			ledger.Fault{Index: -1, What: "the ledger did not grow from the head anchored at 3 events: it was rewritten"}},
		{"anchor of another ledger", func(p *ledger.Pack) { p.Anchors[1].Anchor.Origin = "other.example" },
			ledger.Fault{Index: -1, What: "anchors/000000000003 is an anchor of another ledger or size"}},
		{"head not signed", func(p *ledger.Pack) { p.Checkpoint = []byte("gone\n") },
			ledger.Fault{Index: -1, What: "checkpoint: it is not a signed note"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := newLog(t, 20)
			p := l.pack(t, 4, 8)
			tt.damage(&p)
			report := verify(write(t, p, l.key), l.key.Public())
			require.False(t, report.Verified)
			require.Contains(t, report.Faults, tt.want)
		})
	}
}

// Single changes to the entries of a pack, all detected, with and without a
// key from outside: bits flipped, entries removed, swapped, cut, lengthened,
// doubled, renamed and slipped in. Three thousand of them; ten thousand with
// TIDEGATE_LONG=1.
func TestEveryTamperedPackIsDetected(t *testing.T) {
	l := newLog(t, 260)
	entries := unzip(t, write(t, l.pack(t, 254, 258), l.key))
	seed := uint64(20260302)
	random := rand.New(rand.NewPCG(seed, seed))
	kinds := map[string]int{}
	changes := 3_000
	if os.Getenv("TIDEGATE_LONG") == "1" {
		changes = 10_000
	}
	for i := range changes {
		kind, changed := tamper(random, entries)
		kinds[kind]++
		keys := l.key.Public()
		if i%2 == 1 {
			keys = ""
		}
		pack := rezip(t, changed)
		if report := verify(pack, keys); report.Verified || len(report.Faults) == 0 {
			t.Fatalf("change %d (%s, seed %d) was not detected", i, kind, seed)
		}
	}
	require.Len(t, kinds, 8, "each kind of change was made: %v", kinds)
}

type entry struct {
	name string
	data []byte
}

func tamper(random *rand.Rand, entries []entry) (string, []entry) {
	out := slices.Clone(entries)
	i, j := random.IntN(len(out)), random.IntN(len(out))
	switch n := random.IntN(17); {
	case n < 10:
		for len(out[i].data) == 0 {
			i = random.IntN(len(out))
		}
		data := slices.Clone(out[i].data)
		data[random.IntN(len(data))] ^= 1 << random.IntN(8)
		out[i].data = data
		return "flip", out
	case n == 10:
		return "remove", slices.Delete(out, i, i+1)
	case n == 11:
		for bytes.Equal(out[i].data, out[j].data) {
			i, j = random.IntN(len(out)), random.IntN(len(out))
		}
		out[i].data, out[j].data = out[j].data, out[i].data
		return "swap", out
	case n == 12:
		at := random.IntN(len(out[i].data) + 1)
		out[i].data = slices.Insert(slices.Clone(out[i].data), at, byte(random.IntN(256)))
		return "lengthen", out
	case n == 13:
		for len(out[i].data) == 0 {
			i = random.IntN(len(out))
		}
		out[i].data = out[i].data[:random.IntN(len(out[i].data))]
		return "cut", out
	case n == 14:
		return "double", append(out, out[i])
	case n == 15:
		out[i].name = []string{"raw/000000000999", "events/000000000999.json", "../" + out[i].name, out[i].name + "x"}[random.IntN(4)]
		return "rename", out
	default:
		name := []string{"raw/000000000001", "events/000000000001.payload", "anchors/000000000002", "note.txt", "raw/"}[random.IntN(5)]
		return "slip in", append(out, entry{name, []byte("slipped in")})
	}
}

// Who has no key but rewrites the manifest to fit, and signs with a key of
// their own, is found out by the trusted key, and by the ledger's key even
// where the pack's own is taken.
func TestRewrittenManifest(t *testing.T) {
	l := newLog(t, 20)
	p := l.pack(t, 4, 8)
	p.Items[0].Raw = []byte("another message")
	thief := newKey(t, origin)
	pack := write(t, p, thief)
	require.False(t, verify(pack, l.key.Public()).Verified)
	require.False(t, verify(pack, "").Verified)
	entries := unzip(t, write(t, l.pack(t, 4, 8), l.key))
	for i := range entries {
		if entries[i].name == "manifest.note" {
			entries[i].data = append(entries[i].data, "— witness.example AAAAAAAA\n"...)
		}
	}
	report := verify(rezip(t, entries), l.key.Public())
	require.Equal(t, []ledger.Fault{{Index: -1, What: "manifest.note does not sign this manifest.json"}}, report.Faults)
}

func TestHostilePacks(t *testing.T) {
	l := newLog(t, 20)
	good := write(t, l.pack(t, 4, 8), l.key)
	for _, tt := range []struct {
		name string
		pack []byte
		want string
	}{
		{"empty", nil, "the pack is not a readable zip file"},
		{"no zip", []byte("PK"), "the pack is not a readable zip file"},
		{"cut", good[:len(good)/2], "the pack is not a readable zip file"},
		{"path upwards", rezip(t, []entry{{"../../etc/x", nil}}), `"../../etc/x" is no file of a pack`},
		{"absolute path", rezip(t, []entry{{"/etc/x", nil}}), `"/etc/x" is no file of a pack`},
		{"folder", rezip(t, []entry{{"raw/", nil}}), `"raw/" is no file of a pack`},
		{"no manifest", rezip(t, []entry{{"checkpoint", nil}}), "the pack has no manifest.json or no manifest.note"},
		{"bomb", rezip(t, []entry{{"manifest.json", make([]byte, 65<<20)}}),
			"manifest.json is too large: a file may have 67108864 bytes, all together 1073741824"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			report := verify(tt.pack, "")
			require.False(t, report.Verified)
			require.Contains(t, report.Faults, ledger.Fault{Index: -1, What: tt.want})
		})
	}
}

func TestProofText(t *testing.T) {
	// The example of C2SP tlog-proof, with its extra line mended to whole
	// base64 and its signatures left out: they are shortened there.
	const text = "c2sp.org/tlog-proof@v1\nextra YWJj\nindex 73894\n" +
		"gSKyXoYZUgZ6jduWYrkDOARinOMGJveXjgMkBTcdPlQ=\nB95lDa8R83lS8n0eG+o0buTxRKQTYFi//1U8anccXmA=\n" +
		"EKNzoDWG8LGC0Yp9o+sv3qllpMP9uHQ9B20KNL+Q1zs=\nRoopEkOdqkYqMB4MJXrbt/hMjOxsVn0IrWjpz1ZMMes=\n" +
		"AHCioX9nLjsrse6YhjRRmk1WUEirVOLLRoOQ6vfO5vk=\n\n" +
		"example.com/fancylog\n109482\nsFodV/vSp5O8n9a8QpW6PRY97tfOSW5bsc2Xl/EQi08=\n"
	index, proof, checkpoint, err := ledger.ParseProof([]byte(text))
	require.NoError(t, err)
	require.Equal(t, int64(73894), index)
	require.Len(t, proof, 5)
	head, err := ledger.ParseText(string(checkpoint))
	require.NoError(t, err)
	require.Equal(t, int64(109482), head.Size)
	require.Equal(t, strings.Replace(text, "extra YWJj\n", "", 1), string(ledger.ProofText(index, proof, checkpoint)))

	for _, bad := range []string{"", "c2sp.org/tlog-proof@v1\n\n", "c2sp.org/tlog-proof@v2\nindex 0\n\n",
		"c2sp.org/tlog-proof@v1\nindex 01\n\n", "c2sp.org/tlog-proof@v1\nindex 1\nAAAA\n\n",
		"c2sp.org/tlog-proof@v1\nextra !\nindex 1\n\n", "c2sp.org/tlog-proof@v1\nindex 1\n"} {
		_, _, _, err := ledger.ParseProof([]byte(bad))
		require.Error(t, err, "%q", bad)
	}
}

// A pack's signature is no head, and a head's is no pack: the key signs both.
func TestSignaturesDoNotMix(t *testing.T) {
	l := newLog(t, 8)
	for _, e := range unzip(t, write(t, l.pack(t, 0, 8), l.key)) {
		if e.name != "manifest.note" {
			continue
		}
		_, err := note.Open(e.data, note.VerifierList(verifiers(t, l.key)...))
		require.NoError(t, err)
		_, _, err = ledger.Open(e.data, verifiers(t, l.key)...)
		require.Error(t, err)
	}
}

func unzip(t testing.TB, pack []byte) []entry {
	z, err := zip.NewReader(bytes.NewReader(pack), int64(len(pack)))
	require.NoError(t, err)
	var entries []entry
	for _, f := range z.File {
		r, err := f.Open()
		require.NoError(t, err)
		data, err := io.ReadAll(r)
		require.NoError(t, err)
		entries = append(entries, entry{f.Name, data})
	}
	return entries
}

func rezip(t testing.TB, entries []entry) []byte {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, e := range entries {
		method := zip.Store
		if len(e.data) > 1<<20 {
			method = zip.Deflate
		}
		w, err := z.CreateHeader(&zip.FileHeader{Name: e.name, Method: method})
		require.NoError(t, err)
		if !strings.HasSuffix(e.name, "/") {
			_, err = w.Write(e.data)
			require.NoError(t, err)
		}
	}
	require.NoError(t, z.Close())
	return b.Bytes()
}

func FuzzVerifyPack(f *testing.F) {
	l := newLog(f, 20)
	f.Add(write(f, l.pack(f, 4, 8), l.key))
	f.Add(rezip(f, []entry{{"manifest.json", []byte(`{"form":1,"origin":"","files":[]}`)}, {"manifest.note", nil}}))
	f.Add(rezip(f, unzip(f, write(f, l.pack(f, 0, 1), l.key))))
	keys := l.key.Public()
	f.Fuzz(func(t *testing.T, pack []byte) {
		report := verify(pack, keys)
		require.Equal(t, len(report.Faults) == 0, report.Verified)
		if report.Verified {
			require.Equal(t, l.tree.Head().Root.String(), report.Root)
		}
	})
}

func FuzzParseProof(f *testing.F) {
	f.Add([]byte("c2sp.org/tlog-proof@v1\nextra YWJj\nindex 7\ngSKyXoYZUgZ6jduWYrkDOARinOMGJveXjgMkBTcdPlQ=\n\na\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		index, proof, checkpoint, err := ledger.ParseProof(text)
		if err == nil && !bytes.Contains(text, []byte("\nextra ")) {
			require.Equal(t, text, ledger.ProofText(index, proof, checkpoint))
		}
	})
}
