//go:build !unix

package notify

// syncDir does nothing: a directory cannot be synced here.
func syncDir(string) error { return nil }
