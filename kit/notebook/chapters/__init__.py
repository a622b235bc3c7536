"""What single notebooks say of results that stand side by side in them: a module a notebook."""
