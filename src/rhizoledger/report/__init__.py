"""What people read: numbers and sentences. The only place where a number is formatted."""
