package doctor

import (
	"os"
	"strconv"
)

// erasures says where owners who were erased are still named.
func (e *examiner) erasures() {
	if len(e.stats.erasures) == 0 {
		return
	}
	var open, files []string
	for _, x := range e.stats.erasures {
		if x.Finished == 0 {
			open = append(open, strconv.FormatInt(x.Number, 10))
		}
	}
	newest := e.stats.erasures[0].At
	for _, b := range e.stats.backups {
		if b.At <= newest && there(b.Path) {
			files = append(files, b.Path)
		}
	}
	for _, r := range e.stats.restores {
		if r.Aside != "" && r.At <= newest && there(r.Aside) {
			files = append(files, r.Aside)
		}
	}
	if len(open) > 0 {
		e.todo("erasing", "run dewpost erase finish", "What was erased is not off the disk yet: erasure %s.", named(open))
	}
	if len(files) > 0 {
		e.todo("erasing", "delete them, and their copies elsewhere, when there is a newer backup", "Made before an owner was erased on %s, so that they may name the owner: %s.", stamp(newest), named(files))
	}
	if len(open) == 0 && len(files) == 0 {
		e.fine("erasing", "Owners erased: %d. No backup from before is where it was made.", len(e.stats.erasures))
	}
}

func there(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}
