package web

import (
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// deadlines is an answer on a connection that has some.
type deadlines struct {
	*httptest.ResponseRecorder
	read, write time.Time
}

func (d *deadlines) SetReadDeadline(t time.Time) error {
	d.read = t
	return nil
}

func (d *deadlines) SetWriteDeadline(t time.Time) error {
	d.write = t
	return nil
}

// A photo on a slow line takes longer than other requests may.
func TestPhotosMayTakeLong(t *testing.T) {
	d := &deadlines{ResponseRecorder: httptest.NewRecorder()}
	before := time.Now()
	patient(d)
	require.GreaterOrEqual(t, d.read.Sub(before), photoTime)
	require.Equal(t, time.Minute, d.write.Sub(d.read), "and then it is answered")
}
