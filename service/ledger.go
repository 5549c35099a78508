package service

import (
	"bufio"
	"context"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"golang.org/x/mod/sumdb/note"

	"drawgear/rules"
)

// Ledger proves what the log of a tenant holds. The log is a Merkle tree (RFC
// 6962): a proof of one entry is a few hashes however long the log is, and a
// head once given away commits to everything before it. Heads are signed notes
// in the checkpoint form that transparency logs share (C2SP tlog-checkpoint).
type Ledger struct {
	store  FullStore
	signer note.Signer
}

// NewLedger returns the use cases of the log; heads are signed by signer.
func NewLedger(store FullStore, signer note.Signer) *Ledger { return &Ledger{store, signer} }

// Origin names the log of a tenant in its heads.
func Origin(tenant string) string { return "drawgear/log/" + tenant }

// Head is a signed statement of how long the log is and what its root is.
type Head struct {
	Size       int64  `json:"size"`
	Root       string `json:"root"`       // hex
	Checkpoint string `json:"checkpoint"` // signed note
	Key        string `json:"key"`        // verifier key of the signature
}

// Proof shows that an assessment, or an entry of a fitting, is in the log of a
// size.
type Proof struct {
	ID       string   `json:"id"` // as the log names it
	Index    int64    `json:"index"`
	Leaf     string   `json:"leaf"`      // base64 of the leaf's bytes, see Record.Leaf and FittingEntry.Leaf
	LeafHash string   `json:"leaf_hash"` // hex, RFC 6962
	Path     []string `json:"path"`      // hex, from the leaf up
	Head     Head     `json:"head"`
}

// Head signs the log as it is now.
func (l *Ledger) Head(ctx context.Context) (Head, error) {
	size, err := l.store.LogSize(ctx)
	if err != nil {
		return Head{}, fmt.Errorf("read the length of the log: %w", err)
	}
	return l.head(ctx, size)
}

func (l *Ledger) head(ctx context.Context, size int64) (Head, error) {
	tenant, err := TenantOf(ctx)
	if err != nil {
		return Head{}, err
	}
	root, err := l.root(ctx, uint64(size))
	if err != nil {
		return Head{}, err
	}
	text := fmt.Sprintf("%s\n%d\n%s\n", Origin(tenant), size, base64.StdEncoding.EncodeToString(root))
	signed, err := note.Sign(&note.Note{Text: text}, l.signer)
	if err != nil {
		return Head{}, fmt.Errorf("sign the head of the log: %w", err)
	}
	return Head{Size: size, Root: hex.EncodeToString(root), Checkpoint: string(signed), Key: VerifierKey(l.signer)}, nil
}

// root hashes the complete subtrees that make up a tree of the size.
func (l *Ledger) root(ctx context.Context, size uint64) ([]byte, error) {
	if size == 0 {
		return rfc6962.DefaultHasher.EmptyRoot(), nil
	}
	ids := compact.RangeNodes(0, size, nil)
	hashes, err := l.nodes(ctx, ids)
	if err != nil {
		return nil, err
	}
	// From the right: the smallest subtree is joined to the next larger.
	root := hashes[len(hashes)-1]
	for i := len(hashes) - 2; i >= 0; i-- {
		root = rfc6962.DefaultHasher.HashChildren(hashes[i], root)
	}
	return root, nil
}

func (l *Ledger) nodes(ctx context.Context, ids []compact.NodeID) ([][]byte, error) {
	want := make([]NodeID, len(ids))
	for i, id := range ids {
		want[i] = NodeID{Level: id.Level, Index: id.Index}
	}
	hashes, err := l.store.LogNodes(ctx, want)
	if err != nil {
		return nil, fmt.Errorf("read the log: %w", err)
	}
	return hashes, nil
}

// Prove shows that an assessment of the tenant is in its log as it is now.
func (l *Ledger) Prove(ctx context.Context, id string) (Proof, error) {
	tenant, err := TenantOf(ctx)
	if err != nil {
		return Proof{}, err
	}
	rec, err := l.store.Get(ctx, id)
	if err != nil {
		return Proof{}, fmt.Errorf("get an assessment: %w", err)
	}
	index, err := l.store.LogIndex(ctx, id)
	if err != nil {
		return Proof{}, fmt.Errorf("find an assessment in the log: %w", err)
	}
	head, err := l.Head(ctx)
	if err != nil {
		return Proof{}, err
	}
	return l.include(ctx, id, index, rec.Leaf(tenant), head)
}

// ProveFitting shows that everything that was written to a fitting of the tenant
// is in its log as it is now, one proof an entry.
func (l *Ledger) ProveFitting(ctx context.Context, id string) (All[Proof], error) {
	tenant, err := TenantOf(ctx)
	if err != nil {
		return All[Proof]{}, err
	}
	rec, err := l.store.GetFitting(ctx, id)
	if err != nil {
		return All[Proof]{}, fmt.Errorf("get a fitting: %w", err)
	}
	head, err := l.Head(ctx)
	if err != nil {
		return All[Proof]{}, err
	}
	out := All[Proof]{Items: make([]Proof, len(rec.Entries))}
	for i, e := range rec.Entries {
		name := FittingLogID(id, e.Revision)
		index, err := l.store.LogIndex(ctx, name)
		if err != nil {
			return All[Proof]{}, fmt.Errorf("find an entry of a fitting in the log: %w", err)
		}
		if out.Items[i], err = l.include(ctx, name, index, e.Leaf(tenant, id), head); err != nil {
			return All[Proof]{}, err
		}
	}
	return out, nil
}

// include proves a leaf within a head.
func (l *Ledger) include(ctx context.Context, id string, index int64, leaf []byte, head Head) (Proof, error) {
	nodes, err := proof.Inclusion(uint64(index), uint64(head.Size))
	if err != nil {
		return Proof{}, fmt.Errorf("prove place %d of %d: %w", index, head.Size, err)
	}
	path, err := l.path(ctx, nodes)
	if err != nil {
		return Proof{}, err
	}
	return Proof{
		ID: id, Index: index, Leaf: base64.StdEncoding.EncodeToString(leaf),
		LeafHash: hex.EncodeToString(rfc6962.DefaultHasher.HashLeaf(leaf)), Path: path, Head: head,
	}, nil
}

func (l *Ledger) path(ctx context.Context, nodes proof.Nodes) ([]string, error) {
	hashes, err := l.nodes(ctx, nodes.IDs)
	if err != nil {
		return nil, err
	}
	if hashes, err = nodes.Rehash(hashes, rfc6962.DefaultHasher.HashChildren); err != nil {
		return nil, fmt.Errorf("put the proof together: %w", err)
	}
	out := make([]string, len(hashes))
	for i, h := range hashes {
		out[i] = hex.EncodeToString(h)
	}
	return out, nil
}

// Consistency shows that the log of one size is the beginning of that of
// another: nothing was changed or taken out in between.
type Consistency struct {
	From int64    `json:"from"`
	To   int64    `json:"to"`
	Path []string `json:"path"`
	Head Head     `json:"head"` // of the size To
}

// ErrLogRange: a size that the log does not have.
var ErrLogRange = errors.New("the log has no such size")

// Consistent proves that the log grew from one size to another only by adding.
func (l *Ledger) Consistent(ctx context.Context, from, to int64) (Consistency, error) {
	size, err := l.store.LogSize(ctx)
	if err != nil {
		return Consistency{}, fmt.Errorf("read the length of the log: %w", err)
	}
	if from < 1 || from > to || to > size {
		return Consistency{}, fmt.Errorf("from %d to %d of %d: %w", from, to, size, ErrLogRange)
	}
	nodes, err := proof.Consistency(uint64(from), uint64(to))
	if err != nil {
		return Consistency{}, fmt.Errorf("prove %d within %d: %w", from, to, err)
	}
	c := Consistency{From: from, To: to}
	if c.Path, err = l.path(ctx, nodes); err != nil {
		return Consistency{}, err
	}
	c.Head, err = l.head(ctx, to)
	return c, err
}

// exportLine is a line of an export: the head first, then one entry a line.
type exportLine struct {
	Checkpoint string       `json:"checkpoint,omitempty"`
	Index      *int64       `json:"index,omitempty"`
	Hash       string       `json:"hash,omitempty"` // leaf hash, hex
	Record     *exportEntry `json:"record,omitempty"`
	Fitting    *exportStep  `json:"fitting,omitempty"`
}

// exportEntry is a record as Leaf reads it. Rig and answer are text, so that no
// JSON writer on the way can change their bytes.
type exportEntry struct {
	Tenant       string    `json:"tenant"`
	ID           string    `json:"id"`
	CreatedAt    time.Time `json:"created_at"`
	AsOf         string    `json:"as_of"`
	KnownAt      time.Time `json:"known_at,omitzero"`
	Engine       string    `json:"engine"`
	Jurisdiction string    `json:"jurisdiction"`
	Verdict      string    `json:"verdict"`
	Rig          string    `json:"rig"`
	Answer       string    `json:"answer"`
}

// exportStep is an entry of a fitting as its Leaf reads it.
type exportStep struct {
	Tenant   string    `json:"tenant"`
	ID       string    `json:"id"` // of the fitting
	Revision int       `json:"revision"`
	At       time.Time `json:"at"`
	By       string    `json:"by"`
	State    string    `json:"state"`
	Engine   string    `json:"engine"`
	Given    string    `json:"given"`
	Made     string    `json:"made"`
}

const exportPage = 200

// Export writes the log as it is now, one JSON object a line: the signed head,
// then every entry with its record. A record that the store no longer keeps is
// written as its hash alone.
func (l *Ledger) Export(ctx context.Context, w io.Writer) error {
	tenant, err := TenantOf(ctx)
	if err != nil {
		return err
	}
	head, err := l.Head(ctx)
	if err != nil {
		return err
	}
	out := json.NewEncoder(w)
	if err := out.Encode(exportLine{Checkpoint: head.Checkpoint}); err != nil {
		return fmt.Errorf("write the export: %w", err)
	}
	for from := int64(0); from < head.Size; {
		leaves, err := l.store.LogLeaves(ctx, from, int(min(exportPage, head.Size-from)))
		if err != nil {
			return fmt.Errorf("read the log from %d: %w", from, err)
		}
		if len(leaves) == 0 {
			return fmt.Errorf("read the log from %d: it ends before its head of %d", from, head.Size)
		}
		for _, leaf := range leaves {
			line, err := l.exported(ctx, tenant, leaf)
			if err != nil && !errors.Is(err, ErrNotFound) {
				return fmt.Errorf("read entry %d of the log: %w", leaf.Index, err)
			}
			if err := out.Encode(line); err != nil {
				return fmt.Errorf("write the export: %w", err)
			}
		}
		from += int64(len(leaves))
	}
	return nil
}

// exported is the line of a leaf. Next to ErrNotFound it has the hash alone.
func (l *Ledger) exported(ctx context.Context, tenant string, leaf LogLeaf) (exportLine, error) {
	line := exportLine{Index: &leaf.Index, Hash: hex.EncodeToString(leaf.Hash)}
	if id, revision, ok := parseFittingLogID(leaf.ID); ok {
		rec, err := l.store.GetFitting(ctx, id)
		if err != nil {
			return line, err
		}
		if revision < 1 || revision > len(rec.Entries) {
			return line, ErrNotFound
		}
		e := rec.Entries[revision-1]
		line.Fitting = &exportStep{
			Tenant: tenant, ID: id, Revision: e.Revision, At: e.At.UTC(), By: e.By, State: string(e.State), Engine: e.Engine,
			Given: string(e.Given), Made: string(e.Made),
		}
		return line, nil
	}
	rec, err := l.store.Get(ctx, leaf.ID)
	if err != nil {
		return line, err
	}
	line.Record = &exportEntry{
		Tenant: tenant, ID: rec.ID, CreatedAt: rec.CreatedAt.UTC(), AsOf: rec.AsOf, Engine: rec.Engine,
		Jurisdiction: rec.Jurisdiction, Verdict: string(rec.Verdict), Rig: string(rec.Rig), Answer: string(rec.Answer),
	}
	if !rec.KnownAt.IsZero() {
		line.Record.KnownAt = rec.KnownAt.UTC()
	}
	return line, nil
}

// Verified is what an export was found to hold.
type Verified struct {
	Size    int64 // entries, as the signed head says
	Records int   // entries whose assessment, or entry of a fitting, was there and matched
	Bare    int   // entries given by their hash alone
}

// maxExportLine bounds a line: a record and its answer.
const maxExportLine = 16 << 20

// VerifyExport reads an export and checks it against nothing but the verifier
// key: the head's signature, each record against its leaf, and the leaves
// against the root in the head. The error says which entry does not hold.
func VerifyExport(r io.Reader, verifier note.Verifier) (Verified, error) {
	in := bufio.NewScanner(r)
	in.Buffer(make([]byte, 64<<10), maxExportLine)
	line := func() (exportLine, error) {
		var l exportLine
		if !in.Scan() {
			if err := in.Err(); err != nil {
				return l, err
			}
			return l, io.EOF
		}
		err := json.Unmarshal(in.Bytes(), &l)
		return l, err
	}
	first, err := line()
	if err != nil {
		return Verified{}, fmt.Errorf("read the head: %w", err)
	}
	origin, size, root, err := openCheckpoint(first.Checkpoint, verifier)
	if err != nil {
		return Verified{}, err
	}
	v := Verified{Size: size}
	tree := (&compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}).NewEmptyRange(0)
	for index := range size {
		entry, err := line()
		if err != nil {
			return v, fmt.Errorf("read entry %d of %d: %w", index, size, err)
		}
		sum, err := entry.check(index, origin)
		if err != nil {
			return v, err
		}
		if entry.Record != nil || entry.Fitting != nil {
			v.Records++
		} else {
			v.Bare++
		}
		if err := tree.Append(sum, nil); err != nil {
			return v, fmt.Errorf("add entry %d: %w", index, err)
		}
	}
	if _, err := line(); !errors.Is(err, io.EOF) {
		return v, fmt.Errorf("there are more entries than the head's %d", size)
	}
	got, err := tree.GetRootHash(nil)
	if err != nil {
		return v, fmt.Errorf("work out the root: %w", err)
	}
	if size == 0 {
		got = rfc6962.DefaultHasher.EmptyRoot()
	}
	if hex.EncodeToString(got) != hex.EncodeToString(root) {
		return v, errors.New("the entries do not give the root that was signed")
	}
	return v, nil
}

// check returns the leaf hash of an entry, worked out from what it is over if
// that is there.
func (l exportLine) check(index int64, origin string) ([]byte, error) {
	if l.Index == nil || *l.Index != index {
		return nil, fmt.Errorf("entry %d is missing or out of order", index)
	}
	sum, err := hex.DecodeString(l.Hash)
	if err != nil || len(sum) != rfc6962.DefaultHasher.Size() {
		return nil, fmt.Errorf("entry %d: the hash cannot be read", index)
	}
	var tenant, name string
	var leaf []byte
	switch e, f := l.Record, l.Fitting; {
	case e != nil && f != nil:
		return nil, fmt.Errorf("entry %d is said to be two things", index)
	case e != nil:
		tenant, name = e.Tenant, e.ID
		leaf = Record{
			Summary: Summary{ID: e.ID, CreatedAt: e.CreatedAt, AsOf: e.AsOf, Jurisdiction: e.Jurisdiction, Verdict: rules.Verdict(e.Verdict)},
			KnownAt: e.KnownAt, Engine: e.Engine, Rig: []byte(e.Rig), Answer: []byte(e.Answer),
		}.Leaf(e.Tenant)
	case f != nil:
		tenant, name = f.Tenant, FittingLogID(f.ID, f.Revision)
		leaf = FittingEntry{
			Revision: f.Revision, At: f.At, By: f.By, State: FittingState(f.State), Engine: f.Engine, Given: []byte(f.Given), Made: []byte(f.Made),
		}.Leaf(f.Tenant, f.ID)
	default:
		return sum, nil
	}
	if Origin(tenant) != origin {
		return nil, fmt.Errorf("entry %d belongs to another log", index)
	}
	if got := rfc6962.DefaultHasher.HashLeaf(leaf); hex.EncodeToString(got) != l.Hash {
		return nil, fmt.Errorf("entry %d (%s) is not what was logged", index, name)
	}
	return sum, nil
}

// openCheckpoint checks the signature of a head and reads it.
func openCheckpoint(signed string, verifier note.Verifier) (origin string, size int64, root []byte, err error) {
	n, err := note.Open([]byte(signed), note.VerifierList(verifier))
	if err != nil {
		return "", 0, nil, fmt.Errorf("check the signature of the head: %w", err)
	}
	lines := strings.Split(n.Text, "\n")
	if len(lines) < 4 {
		return "", 0, nil, errors.New("the head is not a checkpoint")
	}
	if size, err = strconv.ParseInt(lines[1], 10, 64); err != nil || size < 0 {
		return "", 0, nil, errors.New("the head has no size")
	}
	if root, err = base64.StdEncoding.DecodeString(lines[2]); err != nil {
		return "", 0, nil, errors.New("the head has no root")
	}
	return lines[0], size, root, nil
}

// Verify checks a proof offline: the signature of the head, the leaf against
// its hash, and the path from the leaf to the root.
func (p Proof) Verify(verifier note.Verifier) error {
	_, size, root, err := openCheckpoint(p.Head.Checkpoint, verifier)
	if err != nil {
		return err
	}
	leaf, err := base64.StdEncoding.DecodeString(p.Leaf)
	if err != nil {
		return errors.New("the leaf cannot be read")
	}
	sum := rfc6962.DefaultHasher.HashLeaf(leaf)
	if hex.EncodeToString(sum) != p.LeafHash {
		return errors.New("the leaf does not have its hash")
	}
	path, err := hashes(p.Path)
	if err != nil {
		return err
	}
	if p.Index < 0 {
		return errors.New("the place is negative")
	}
	if err := proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(p.Index), uint64(size), sum, path, root); err != nil {
		return fmt.Errorf("follow the path to the root: %w", err)
	}
	return nil
}

// Verify checks offline that the log of an earlier head is the beginning of
// this one's.
func (c Consistency) Verify(earlier Head, verifier note.Verifier) error {
	_, size, root, err := openCheckpoint(c.Head.Checkpoint, verifier)
	if err != nil {
		return err
	}
	was, err := hex.DecodeString(earlier.Root)
	if err != nil {
		return errors.New("the earlier root cannot be read")
	}
	path, err := hashes(c.Path)
	if err != nil {
		return err
	}
	if err := proof.VerifyConsistency(rfc6962.DefaultHasher, uint64(earlier.Size), uint64(size), path, was, root); err != nil {
		return fmt.Errorf("follow the path between the roots: %w", err)
	}
	return nil
}

func hashes(texts []string) ([][]byte, error) {
	out := make([][]byte, len(texts))
	for i, t := range texts {
		var err error
		if out[i], err = hex.DecodeString(t); err != nil {
			return nil, errors.New("the path cannot be read")
		}
	}
	return out, nil
}
