package fold

// TryAgain lets stations whose folds failed be tried again at once.
func (f *Folder) TryAgain() { clear(f.failing) }
