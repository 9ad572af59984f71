package testkit

import (
	"context"
	"os"
	"strings"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"tidegate/ledger"
	"tidegate/store"
)

// checkHeads recomputes, from the leaves alone, the root at the size of each
// head (RFC 6962, 2.1) and compares.
func (h *House) checkHeads(heads [][]byte) {
	h.Helper()
	want := map[int64]tlog.Hash{}
	for _, head := range heads {
		c := h.openHead(head)
		if other, ok := want[c.Size]; ok {
			require.Equal(h, other, c.Root, "I6: two roots of size %d were handed out", c.Size)
		}
		want[c.Size] = c.Root
	}
	s, err := store.Open(h.Config.DataDir, store.Options{AnchorFile: h.Config.Ledger.AnchorFile})
	require.NoError(h, err)
	defer func() { require.NoError(h, s.Close()) }()
	var hashes hashList
	var n int64
	for {
		events, err := s.Events(context.Background(), n, 1000)
		require.NoError(h, err)
		if len(events) == 0 {
			break
		}
		for _, e := range events {
			require.Equal(h, n, e.Index, "I6: the ledger has a gap")
			grown, err := tlog.StoredHashesForRecordHash(n, ledger.LeafHash(e), &hashes)
			require.NoError(h, err)
			hashes = append(hashes, grown...)
			n++
			if root, ok := want[n]; ok {
				got, err := tlog.TreeHash(n, &hashes)
				require.NoError(h, err)
				require.Equal(h, root, got, "I6: the ledger did not grow from the head of size %d", n)
			}
		}
	}
	for size := range want {
		require.LessOrEqual(h, size, n, "I6: a head of %d events was handed out", size)
	}
}

// openHead checks a head's signature with the ledger's public key.
func (h *House) openHead(head []byte) ledger.Checkpoint {
	h.Helper()
	public, err := os.ReadFile(strings.TrimSuffix(h.Config.Ledger.KeyFile, ".key") + ".pub")
	require.NoError(h, err)
	v, err := note.NewVerifier(strings.TrimSpace(string(public)))
	require.NoError(h, err)
	c, _, err := ledger.Open(head, v)
	require.NoError(h, err, "I6: a head that does not open")
	return c
}

// hashList is a hash storage in memory.
type hashList []tlog.Hash

// ReadHashes gives stored hashes by index.
func (l *hashList) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, at := range indexes {
		out[i] = (*l)[at]
	}
	return out, nil
}
