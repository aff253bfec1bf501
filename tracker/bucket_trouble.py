"""What a bucket did not do: what its answers and its silence mean, what is worth another try, what a person reads."""

_BUSY = {"500", "502", "503", "504", "InternalError", "ServiceUnavailable", "SlowDown", "RequestTimeout", "Throttling"}
_REFUSED = {"401", "403", "AccessDenied", "InvalidAccessKeyId", "SignatureDoesNotMatch", "ExpiredToken", "InvalidToken"}
_MISSING = {"404", "NoSuchKey"}
_THERE = {"412", "PreconditionFailed"}
_UNKNOWN = {"501", "NotImplemented"}


class Trouble(Exception):
    """The bucket did not do what was asked.

    Attributes
    ----------
    what, advice : str
        Sentences for a person; neither holds a credential.
    lasting : bool
        True when every other request would fare the same: no answer, wrong credentials, no such bucket.
    """

    def __init__(self, what: str, advice: str, *, lasting: bool) -> None:
        super().__init__(f"{what} {advice}")
        self.what, self.advice, self.lasting = what, advice, lasting


class Broken(Exception):
    """A body that ended before its end, or another passing fault that is worth another try."""


class NotKnown(Exception):
    """The store does not know what was asked of it."""


def judged(bucket: str, error: Exception) -> Trouble:
    """Return what is worth another try as trouble; raise what another try would not change.

    Parameters
    ----------
    bucket : str
        Its name.
    """
    code, http = _code_of(error)
    if code == "NoSuchBucket":
        raise no_bucket(bucket) from error
    if code in _MISSING:
        raise FileNotFoundError(code) from error
    if code in _THERE:
        raise FileExistsError(code) from error
    if code in _UNKNOWN:
        raise NotKnown(code) from error
    if code in _REFUSED or http in (401, 403) or type(error).__name__.endswith("CredentialsError"):
        raise Trouble(f"The bucket {bucket} refuses us ({code or 'no credentials'}).", _CREDENTIALS, lasting=True)
    if code in _BUSY or (http or 0) >= 500:
        return Trouble(f"The bucket {bucket} answered with a fault of its own ({code}).", _LATER, lasting=False)
    if isinstance(error, Broken) or "Payload" in type(error).__name__ or "IncompleteRead" in type(error).__name__:
        return Trouble(f"The bucket {bucket} broke off in the middle of a file.", _LATER, lasting=False)
    if code:
        raise Trouble(f"The bucket {bucket} did not accept the request ({code}).", TELL_ITS_KEEPER, lasting=True)
    why = "it took too long" if "imeout" in type(error).__name__ else "no connection, or it broke off"
    if not isinstance(error, OSError) and "botocore" not in type(error).__module__:
        raise error  # a fault of our own must look like one
    return Trouble(f"The bucket {bucket} does not answer ({why}).", _REACH, lasting=True)


def no_bucket(bucket: str) -> Trouble:
    """Return what is said where there is no such bucket."""
    return Trouble(f"There is no bucket {bucket}.", "Check the address of the evidence.", lasting=True)


def _code_of(error: BaseException) -> tuple[str | None, int | None]:
    """Return the code and HTTP status in what s3fs raises; it hangs botocore's own error behind its own."""
    for one in (error, error.__cause__):
        said = getattr(one, "response", None)
        if isinstance(said, dict):
            status = said.get("ResponseMetadata", {}).get("HTTPStatusCode")
            return str(said.get("Error", {}).get("Code", status)), status
    return None, None


_CREDENTIALS = (
    "Check AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY (or AWS_PROFILE and ~/.aws/credentials), and what they may do."
)
_LATER = "Try again in a moment."
_REACH = "Check the network, and the endpoint in workspace.toml, LOTPROOF_ENDPOINT or AWS_ENDPOINT_URL."
TELL_ITS_KEEPER = "Tell whoever keeps the store."
