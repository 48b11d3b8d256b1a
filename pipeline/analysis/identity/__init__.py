"""What could tell who somebody is: lettering, faces, words, copies."""
