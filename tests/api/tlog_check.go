// Checks a served book with golang.org/x/mod/sumdb: the signed note, every tile against its root, every entry against
// its leaf, and a proof of each. Arguments: the folder with checkpoint and tile/, and the public key.
package main

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

type files struct{ dir string }

func (f files) Height() int { return 8 }

func (f files) ReadTiles(tiles []tlog.Tile) ([][]byte, error) {
	out := make([][]byte, len(tiles))
	for i, t := range tiles {
		path := strings.Replace(t.Path(), "tile/8/", "tile/", 1) // C2SP leaves the height out
		data, err := os.ReadFile(filepath.Join(f.dir, path))
		if err != nil {
			return nil, err
		}
		out[i] = data
	}
	return out, nil
}

func (f files) SaveTiles(tiles []tlog.Tile, data [][]byte) {}

func must(err error) {
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
}

func main() {
	dir := os.Args[1]
	verifier, err := note.NewVerifier(os.Args[2])
	must(err)
	text, err := os.ReadFile(filepath.Join(dir, "checkpoint"))
	must(err)
	opened, err := note.Open(text, note.VerifierList(verifier))
	must(err)
	lines := strings.Split(opened.Text, "\n")
	size, err := strconv.ParseInt(lines[1], 10, 64)
	must(err)
	root, err := base64.StdEncoding.DecodeString(lines[2])
	must(err)
	tree := tlog.Tree{N: size}
	copy(tree.Hash[:], root)
	reader := tlog.TileHashReader(tree, files{dir})
	for i := int64(0); i < size; i++ {
		leaves, err := reader.ReadHashes([]int64{tlog.StoredHashIndex(0, i)})
		must(err)
		entry, err := entryAt(dir, i, size)
		must(err)
		if tlog.RecordHash(entry) != leaves[0] {
			must(fmt.Errorf("entry %d is not its leaf", i))
		}
		proof, err := tlog.ProveRecord(size, i, reader)
		must(err)
		must(tlog.CheckRecord(proof, size, tree.Hash, i, leaves[0]))
	}
	fmt.Printf("%s %d\n", lines[0], size)
}

func entryAt(dir string, index, size int64) ([]byte, error) {
	width := size - index/256*256
	name := fmt.Sprintf("%03d", index/256)
	if width < 256 {
		name += fmt.Sprintf(".p/%d", width)
	}
	data, err := os.ReadFile(filepath.Join(dir, "tile/entries", name))
	if err != nil {
		return nil, err
	}
	for i := index / 256 * 256; ; i++ {
		n := int(binary.BigEndian.Uint16(data))
		if i == index {
			return data[2 : 2+n], nil
		}
		data = data[2+n:]
	}
}
