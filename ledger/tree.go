package ledger

import (
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/tlog"
)

const (
	tileHeight = 8
	// TileWidth is how many hashes a full tile holds.
	TileWidth = 1 << tileHeight
	// TileSize is the length in bytes of a full tile.
	TileSize = TileWidth * tlog.HashSize
	// maxSize bounds a log, so that no sum of sizes overflows.
	maxSize = 1 << 48
)

// ErrProof says that a proof does not prove what it should.
var ErrProof = errors.New("the proof does not lead to this head")

// Head is a size of the log and the root of its tree at that size.
type Head struct {
	Size int64     `json:"size"`
	Root tlog.Hash `json:"root"`
}

// Tile is 256 neighbouring hashes of one level of the tree, complete and
// therefore final: level 0 holds leaf hashes, level 1 the roots of level-0
// tiles, and so on. N counts the tiles of a level from 0.
type Tile struct {
	Level int
	N     int64
	Data  []byte // TileSize bytes
}

// TileFunc returns the bytes of a full tile that was stored.
type TileFunc func(level int, n int64) ([]byte, error)

// Tree is the growing end of the log: what no full tile holds yet. Its zero
// value is the empty log. It is not safe for concurrent use; Clone it for
// readers.
type Tree struct {
	size  int64
	stack []tlog.Hash   // roots of the complete subtrees, largest first
	edge  [][]tlog.Hash // per tile level, the hashes of the unfinished tile
}

// Resume rebuilds the tree of a log of this size from its full tiles and the
// hashes of the leaves after the last full level-0 tile.
func Resume(size int64, tile TileFunc, tail []tlog.Hash) (*Tree, error) {
	if size < 0 || size > maxSize || int64(len(tail)) != size%TileWidth {
		return nil, fmt.Errorf("ledger of %d events needs %d leaf hashes after its last full tile, got %d",
			size, size%TileWidth, len(tail))
	}
	t := &Tree{size: size}
	if size == 0 {
		return t, nil
	}
	t.edge = [][]tlog.Hash{slices.Clone(tail)}
	for level, full := 0, size/TileWidth; full > 0; level, full = level+1, full/TileWidth {
		var roots []tlog.Hash
		for n := full - full%TileWidth; n < full; n++ {
			data, err := tile(level, n)
			if err != nil {
				return nil, fmt.Errorf("read ledger tile %d/%d: %w", level, n, err)
			}
			hashes, err := splitTile(data)
			if err != nil {
				return nil, fmt.Errorf("ledger tile %d/%d: %w", level, n, err)
			}
			roots = append(roots, perfectRoot(hashes))
		}
		t.edge = append(t.edge, roots)
	}
	for level := len(t.edge) - 1; level >= 0; level-- {
		rest := t.edge[level]
		for bit := TileWidth / 2; bit > 0; bit /= 2 {
			if len(t.edge[level])&bit != 0 {
				t.stack = append(t.stack, perfectRoot(rest[:bit]))
				rest = rest[bit:]
			}
		}
	}
	return t, nil
}

// Size is the number of leaves.
func (t *Tree) Size() int64 { return t.size }

// Append adds a leaf by its hash and returns the tiles that it completed, for
// the caller to store together with the event.
func (t *Tree) Append(leaf tlog.Hash) []Tile {
	t.stack = append(t.stack, leaf)
	for n := t.size; n&1 == 1; n >>= 1 {
		top := len(t.stack) - 2
		t.stack = append(t.stack[:top], tlog.NodeHash(t.stack[top], t.stack[top+1]))
	}
	t.size++

	var full []Tile
	hash := leaf
	for level := 0; ; level++ {
		if level == len(t.edge) {
			t.edge = append(t.edge, nil)
		}
		t.edge[level] = append(t.edge[level], hash)
		if len(t.edge[level]) < TileWidth {
			return full
		}
		data := make([]byte, 0, TileSize)
		for _, h := range t.edge[level] {
			data = append(data, h[:]...)
		}
		full = append(full, Tile{Level: level, N: t.size>>(tileHeight*(level+1)) - 1, Data: data})
		hash = perfectRoot(t.edge[level])
		t.edge[level] = nil
	}
}

// Head is the size and the root, RFC 6962 section 2.1, in O(log n) hashes.
func (t *Tree) Head() Head {
	if t.size == 0 {
		root, _ := tlog.TreeHash(0, nil) // the constant for an empty tree: nothing is read
		return Head{Root: root}
	}
	root := t.stack[len(t.stack)-1]
	for i := len(t.stack) - 2; i >= 0; i-- {
		root = tlog.NodeHash(t.stack[i], root)
	}
	return Head{Size: t.size, Root: root}
}

// Clone is an independent copy.
func (t *Tree) Clone() *Tree {
	c := &Tree{size: t.size, stack: slices.Clone(t.stack), edge: make([][]tlog.Hash, len(t.edge))}
	for i, e := range t.edge {
		c.edge[i] = slices.Clone(e)
	}
	return c
}

// Prove is the inclusion proof of the leaf with this index under a head of
// this log, at most as large as the tree. The hashes it reads are checked
// against the head, so a damaged tile is an error and never a wrong proof.
func (t *Tree) Prove(head Head, index int64, tile TileFunc) (tlog.RecordProof, error) {
	if index < 0 || index >= head.Size || head.Size > t.size {
		return nil, fmt.Errorf("no event %d in a ledger of %d", index, min(head.Size, t.size))
	}
	return tlog.ProveRecord(head.Size, index, t.reader(head, tile))
}

// ProveGrowth is the consistency proof from an older, smaller size to a head:
// that the log only grew. From size 0 it is empty.
func (t *Tree) ProveGrowth(head Head, old int64, tile TileFunc) (tlog.TreeProof, error) {
	if old < 0 || old > head.Size || head.Size > t.size {
		return nil, fmt.Errorf("no proof from %d to %d events in a ledger of %d", old, head.Size, t.size)
	}
	if old == 0 {
		return tlog.TreeProof{}, nil
	}
	return tlog.ProveTree(head.Size, old, t.reader(head, tile))
}

// CheckInclusion tells whether the proof puts the leaf at this index under head.
func CheckInclusion(head Head, index int64, leaf tlog.Hash, proof tlog.RecordProof) error {
	if head.Size > maxSize || tlog.CheckRecord(proof, head.Size, head.Root, index, leaf) != nil {
		return ErrProof
	}
	return nil
}

// CheckGrowth tells whether the proof shows that old is an earlier head of
// the same log as head.
func CheckGrowth(old, head Head, proof tlog.TreeProof) error {
	if old.Size == 0 {
		if len(proof) != 0 || old.Root != (&Tree{}).Head().Root {
			return ErrProof
		}
		return nil
	}
	if head.Size > maxSize || tlog.CheckTree(proof, head.Size, head.Root, old.Size, old.Root) != nil {
		return ErrProof
	}
	return nil
}

func (t *Tree) reader(head Head, tile TileFunc) tlog.HashReader {
	return tlog.TileHashReader(tlog.Tree{N: head.Size, Hash: head.Root}, tileReader{t, tile})
}

// tileReader serves tlog with full tiles from the store and with unfinished
// ones from the tree.
type tileReader struct {
	tree *Tree
	tile TileFunc
}

func (r tileReader) Height() int { return tileHeight }

func (r tileReader) SaveTiles([]tlog.Tile, [][]byte) {}

func (r tileReader) ReadTiles(tiles []tlog.Tile) ([][]byte, error) {
	out := make([][]byte, len(tiles))
	for i, want := range tiles {
		if full := r.tree.size >> (tileHeight * (want.L + 1)); want.N < full {
			data, err := r.tile(want.L, want.N)
			if err != nil {
				return nil, fmt.Errorf("read ledger tile %d/%d: %w", want.L, want.N, err)
			}
			if len(data) != TileSize {
				return nil, fmt.Errorf("ledger tile %d/%d has %d bytes", want.L, want.N, len(data))
			}
			out[i] = data[:want.W*tlog.HashSize]
			continue
		}
		if want.L >= len(r.tree.edge) || want.W > len(r.tree.edge[want.L]) {
			return nil, fmt.Errorf("ledger tile %d/%d is beyond the end", want.L, want.N)
		}
		for _, h := range r.tree.edge[want.L][:want.W] {
			out[i] = append(out[i], h[:]...)
		}
	}
	return out, nil
}

func splitTile(data []byte) ([]tlog.Hash, error) {
	if len(data) != TileSize {
		return nil, fmt.Errorf("%d bytes in place of %d", len(data), TileSize)
	}
	hashes := make([]tlog.Hash, TileWidth)
	for i := range hashes {
		copy(hashes[i][:], data[i*tlog.HashSize:])
	}
	return hashes, nil
}

// perfectRoot is the root over hashes whose number is a power of two.
func perfectRoot(hashes []tlog.Hash) tlog.Hash {
	level := slices.Clone(hashes)
	for len(level) > 1 {
		for i := 0; i < len(level); i += 2 {
			level[i/2] = tlog.NodeHash(level[i], level[i+1])
		}
		level = level[:len(level)/2]
	}
	return level[0]
}
