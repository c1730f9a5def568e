package board

import "golang.org/x/sys/unix"

// disk returns zeros when it can't be told.
func disk(dir string) (total, free int64) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, 0
	}
	return int64(s.Blocks) * int64(s.Bsize), int64(s.Bavail) * int64(s.Bsize)
}
