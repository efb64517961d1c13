"""The whole house: promises, imports, pages, package, installer, and the commands that test."""
