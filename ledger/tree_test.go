package ledger_test

import (
	"encoding/hex"
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/tlog"
	"pgregory.net/rapid"

	"tidegate/ledger"
)

// The public 8-leaf set and its roots for sizes 0 to 8: Certificate
// Transparency's reference test vectors, as published in
// github.com/transparency-dev/merkle, testonly/constants.go.
var (
	vectorLeaves = []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657",
		"606162636465666768696a6b6c6d6e6f"}
	vectorRoots = []string{
		"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
		"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
		"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
		"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
		"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
)

func vectorHashes(t *testing.T) []tlog.Hash {
	var hashes []tlog.Hash
	for _, leaf := range vectorLeaves {
		data, err := hex.DecodeString(leaf)
		require.NoError(t, err)
		hashes = append(hashes, ledger.HashLeaf(data))
	}
	return hashes
}

func TestRootsOfPublishedLeaves(t *testing.T) {
	var tree ledger.Tree
	leaves := vectorHashes(t)
	for n, want := range vectorRoots {
		head := tree.Head()
		require.Equal(t, int64(n), head.Size)
		require.Equal(t, want, hex.EncodeToString(head.Root[:]), "size %d", n)
		if n < len(leaves) {
			tree.Append(leaves[n])
		}
	}
}

// Proofs of the published tree, RFC 6962 section 2.1.3 style: each leaf under
// each size, each pair of sizes, and none of them for anything else.
func TestProofsOfPublishedLeaves(t *testing.T) {
	leaves := vectorHashes(t)
	var tree ledger.Tree
	heads := []ledger.Head{tree.Head()}
	for _, leaf := range leaves {
		tree.Append(leaf)
		heads = append(heads, tree.Head())
	}
	for _, head := range heads {
		for i := int64(0); i < head.Size; i++ {
			proof, err := tree.Prove(head, i, noTiles)
			require.NoError(t, err)
			require.NoError(t, ledger.CheckInclusion(head, i, leaves[i], proof))
			for j, other := range leaves {
				if int64(j) != i {
					require.ErrorIs(t, ledger.CheckInclusion(head, i, other, proof), ledger.ErrProof)
				}
			}
		}
		for _, old := range heads[:head.Size+1] {
			proof, err := tree.ProveGrowth(head, old.Size, noTiles)
			require.NoError(t, err)
			require.NoError(t, ledger.CheckGrowth(old, head, proof))
			changed := old
			changed.Root[0] ^= 1
			require.ErrorIs(t, ledger.CheckGrowth(changed, head, proof), ledger.ErrProof)
		}
	}
}

// RFC 6962 section 2.1.3 gives a tree of 7 leaves and its proofs by node
// name: PATH(0) is [b, h, l], PATH(3) [c, g, l], PATH(4) [f, j, k],
// PATH(6) [i, k]; PROOF(3) is [c, d, g, l], PROOF(4) [l], PROOF(6) [i, j, k].
func TestProofShapesOfRFC6962(t *testing.T) {
	leaf := vectorHashes(t)
	node := tlog.NodeHash
	var tree ledger.Tree
	for _, h := range leaf[:7] {
		tree.Append(h)
	}
	a, b, c, d, e, f, j := leaf[0], leaf[1], leaf[2], leaf[3], leaf[4], leaf[5], leaf[6]
	g, h, i := node(a, b), node(c, d), node(e, f)
	k, l := node(g, h), node(i, j)
	require.Equal(t, node(k, l), tree.Head().Root)
	for _, tt := range []struct {
		index int64
		want  tlog.RecordProof
	}{
		{0, tlog.RecordProof{b, h, l}},
		{3, tlog.RecordProof{c, g, l}},
		{4, tlog.RecordProof{f, j, k}},
		{6, tlog.RecordProof{i, k}},
	} {
		got, err := tree.Prove(tree.Head(), tt.index, noTiles)
		require.NoError(t, err)
		require.Equal(t, tt.want, got, "PATH(%d)", tt.index)
	}
	for _, tt := range []struct {
		size int64
		want tlog.TreeProof
	}{
		{3, tlog.TreeProof{c, d, g, l}},
		{4, tlog.TreeProof{l}},
		{6, tlog.TreeProof{i, j, k}},
	} {
		got, err := tree.ProveGrowth(tree.Head(), tt.size, noTiles)
		require.NoError(t, err)
		require.Equal(t, tt.want, got, "PROOF(%d)", tt.size)
	}
}

// A log over several tile levels: the root equals the recursive definition
// (RFC 6962 section 2.1), a resumed tree goes on like the first one, and
// proofs read through the tiles check.
func TestTilesAndResume(t *testing.T) {
	const size = ledger.TileWidth*ledger.TileWidth + 3*ledger.TileWidth + 77
	tiles := tileStore{}
	leaves := make([]tlog.Hash, size)
	var tree ledger.Tree
	sizes := []int64{1, 255, 256, 257, 300, 511, 512, 65535, 65536, 65537, size}
	heads := map[int64]ledger.Head{}
	for i := range leaves {
		leaves[i] = ledger.HashLeaf(fmt.Appendf(nil, "leaf %d", i))
		tiles.put(t, tree.Append(leaves[i]))
		for _, n := range sizes {
			if n == tree.Size() {
				heads[n] = tree.Head()
				require.Equal(t, definition(leaves[:n]), tree.Head().Root, "root of %d", n)
			}
		}
	}
	for _, n := range sizes {
		resumed, err := ledger.Resume(n, tiles.get, leaves[n-n%ledger.TileWidth:n])
		require.NoError(t, err)
		require.Equal(t, heads[n], resumed.Head())
		for i := n; i < min(n+600, size); i++ {
			for _, tile := range resumed.Append(leaves[i]) {
				require.Equal(t, tiles[[2]int64{int64(tile.Level), tile.N}], tile.Data)
			}
		}
		for _, index := range []int64{0, n / 2, n - 1} {
			proof, err := tree.Prove(heads[n], index, tiles.get)
			require.NoError(t, err)
			require.NoError(t, ledger.CheckInclusion(heads[n], index, leaves[index], proof))
		}
		proof, err := tree.ProveGrowth(heads[size], n, tiles.get)
		require.NoError(t, err)
		require.NoError(t, ledger.CheckGrowth(heads[n], heads[size], proof))
	}
	resumed, err := ledger.Resume(size, tiles.get, leaves[size-size%ledger.TileWidth:])
	require.NoError(t, err)
	require.Equal(t, tree.Head(), resumed.Clone().Head())
}

func TestDamagedTileIsAnError(t *testing.T) {
	tiles := tileStore{}
	var tree ledger.Tree
	for i := range 700 {
		tiles.put(t, tree.Append(ledger.HashLeaf(fmt.Appendf(nil, "leaf %d", i))))
	}
	tiles[[2]int64{0, 1}][40] ^= 1
	_, err := tree.Prove(tree.Head(), 300, tiles.get)
	require.Error(t, err)
	_, err = tree.Prove(tree.Head(), 700, tiles.get)
	require.EqualError(t, err, "no event 700 in a ledger of 700")
	_, err = ledger.Resume(700, tiles.get, nil)
	require.Error(t, err)
	_, err = ledger.Resume(256, func(int, int64) ([]byte, error) { return nil, errors.New("gone") }, nil)
	require.ErrorContains(t, err, "gone")
}

func TestAnyGrowthIsProved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.Int64Range(1, 1200).Draw(t, "size")
		tiles := tileStore{}
		var tree ledger.Tree
		old := rapid.Int64Range(0, size).Draw(t, "old")
		var was ledger.Head
		leaves := make([]tlog.Hash, size)
		for i := range leaves {
			if tree.Size() == old {
				was = tree.Head()
			}
			leaves[i] = ledger.HashLeaf([]byte{byte(i), byte(i >> 8)})
			for _, tile := range tree.Append(leaves[i]) {
				tiles[[2]int64{int64(tile.Level), tile.N}] = tile.Data
			}
		}
		if tree.Size() == old {
			was = tree.Head()
		}
		proof, err := tree.ProveGrowth(tree.Head(), old, tiles.get)
		if err != nil || ledger.CheckGrowth(was, tree.Head(), proof) != nil {
			t.Fatalf("growth from %d to %d not proved: %v", old, size, err)
		}
		index := rapid.Int64Range(0, size-1).Draw(t, "index")
		path, err := tree.Prove(tree.Head(), index, tiles.get)
		if err != nil || ledger.CheckInclusion(tree.Head(), index, leaves[index], path) != nil {
			t.Fatalf("leaf %d of %d not proved: %v", index, size, err)
		}
	})
}

// definition is MTH of RFC 6962 section 2.1, written as there.
func definition(leaves []tlog.Hash) tlog.Hash {
	if len(leaves) == 1 {
		return leaves[0]
	}
	k := 1
	for k*2 < len(leaves) {
		k *= 2
	}
	return tlog.NodeHash(definition(leaves[:k]), definition(leaves[k:]))
}

type tileStore map[[2]int64][]byte

func (s tileStore) put(t *testing.T, tiles []ledger.Tile) {
	for _, tile := range tiles {
		key := [2]int64{int64(tile.Level), tile.N}
		require.NotContains(t, s, key, "a tile is completed once")
		s[key] = tile.Data
	}
}

func (s tileStore) get(level int, n int64) ([]byte, error) {
	data, ok := s[[2]int64{int64(level), n}]
	if !ok {
		return nil, fmt.Errorf("tile %d/%d was never stored", level, n)
	}
	return data, nil
}

func noTiles(level int, n int64) ([]byte, error) {
	return nil, fmt.Errorf("no tile %d/%d in a small tree", level, n)
}
