package fold

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAnswersBetweenPiecesOfWork takes what somebody sends, and goes on when
// nobody does.
func TestAnswersBetweenPiecesOfWork(t *testing.T) {
	nobody := &Folder{}
	nobody.answer()
	ask := make(chan struct{}, 1)
	f := &Folder{cfg: Config{Ask: ask}}
	f.answer()
	ask <- struct{}{}
	f.answer()
	require.Empty(t, ask)
}
